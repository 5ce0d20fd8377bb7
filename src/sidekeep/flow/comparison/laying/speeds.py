"""A take that was played at another of the standard speeds, 33 1/3 for 45 say: read as if both had been played at one.

Its sound lasts longer or shorter by the ratio of two speeds, more than any pitch control allows for. Read at a rate that is
higher by as much it has its length and pitch again, and is one more take of another rate.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from sidekeep.flow.ports import Audio, AudioSource
from sidekeep.units import LP_RPM, SINGLE_RPM

STANDARD_RPM = (LP_RPM, SINGLE_RPM, 78.0)
"""What a switch of a turntable offers; speeds of shellac are nearer to each other than the lengths of two takes."""
WITHIN = 0.15
"""The lengths of two takes say so when they agree this closely: how long one lets the lead-in and the run-out go on differs."""


@dataclass(frozen=True, kw_only=True)
class OtherSpeed:
    """The speeds at which two takes of one side were played."""

    old_rpm: float
    new_rpm: float

    @property
    def clock(self) -> float:
        """Seconds of the new take for each second of the same music on the old one."""
        return self.old_rpm / self.new_rpm


class AtOtherSpeed:
    """A take read at ``clock`` times its rate: what it holds lasts as long as on the other take."""

    def __init__(self, source: AudioSource, clock: float) -> None:
        self._source = source
        self.format = replace(source.format, rate_hz=round(source.format.rate_hz * clock))

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Audio]:
        """As those of the take."""
        return self._source.blocks(block_frames, start_frame, stop_frame)

    def read(self, start_frame: int, stop_frame: int) -> Audio:
        """A span of the take."""
        return self._source.read(start_frame, stop_frame)


def other_speeds(old: AudioSource, new: AudioSource) -> list[OtherSpeed]:
    """The pairs of standard speeds by which the lengths of two takes differ, the likeliest first."""
    lengths = old.format.length_s, new.format.length_s
    if min(lengths) <= 0.0:
        return []
    apart = {
        OtherSpeed(old_rpm=one, new_rpm=other): abs(float(np.log(lengths[1] / lengths[0] * other / one)))
        for one in STANDARD_RPM
        for other in STANDARD_RPM
        if one != other
    }
    return sorted((pair for pair in apart if apart[pair] < WITHIN), key=apart.__getitem__)


def as_played(new: AudioSource, speed: OtherSpeed | None) -> AudioSource:
    """The new take as if it had been played at the old one's speed."""
    return new if speed is None else AtOtherSpeed(new, speed.clock)
