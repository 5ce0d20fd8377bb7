"""What the session hears: the gauge with its needle watch, in the frames of the capture.

The watch counts what it was given; the capture counts what came in, which is more whenever this program lagged behind.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from functools import cache

import numpy as np

from sidekeep.devices.recorder import RecorderEvent, RecorderSettings
from sidekeep.flow.needle.gauge import Gauge, GaugeReading
from sidekeep.flow.needle.needle_watch import NeedleEvent
from sidekeep.service.wishes import aim_for


class Hearing:
    """One opening of the input. ``frame`` is the capture's, after the newest block."""

    def __init__(self, settings: RecorderSettings) -> None:
        self._rate_hz = settings.rate_hz
        self._gauge = Gauge(
            rate_hz=settings.rate_hz,
            channels=settings.channels,
            settings=aim_for(settings.bits),
        )
        self._watched: deque[tuple[int, int]] = deque(maxlen=8)
        self.frame = 0

    @property
    def still_s(self) -> float:
        """How long the groove has been without music."""
        return self._gauge.watch.still_s

    @property
    def clipped_frames(self) -> int:
        """Since the needle went down."""
        return self._gauge.clipped_frames

    @property
    def music_s(self) -> float:
        """From the first to the last music since the needle went down."""
        first, last = self._gauge.watch.music_span
        return (last - first) / self._rate_hz

    def expect_side(self, length_s: float | None) -> None:
        """How long the side that plays is printed to be, in seconds; None where nothing is printed."""
        self._gauge.expect_side(length_s)

    def reading(self) -> GaugeReading | None:
        """The gauge's look, once there is something to look at."""
        return self._gauge.reading() if self._gauge.frames else None

    def listen(self, event: RecorderEvent) -> list[NeedleEvent]:
        """A block of audio; what the needle did, in the capture's frames."""
        assert event.block is not None
        if not self._watched or event.frame != self.frame:
            self._watched.append((self._gauge.frames, event.frame))
        self.frame = event.frame + len(event.block)
        return [
            replace(change, frame=self._captured(change.frame)) for change in self._gauge.process(event.block)
        ]

    def _captured(self, frame: int) -> int:
        at = next((pair for pair in reversed(self._watched) if pair[0] <= frame), self._watched[0])
        return frame - at[0] + at[1]


@cache
def warm_up(rate_hz: int, channels: int) -> None:
    """Load and compile what listening needs before the input is opened: on a busy machine that takes seconds, in which a
    needle would be seen late."""
    gauge = Gauge(rate_hz=rate_hz, channels=channels)
    noise = np.random.default_rng(0).standard_normal((5 * rate_hz, channels)) * 1e-4
    gauge.process(noise)
    gauge.reading()
