"""Clipping: at the converter's rail, and of an earlier stage below it.

Audio is (frames, channels), float64, full scale +-1.0. Two tests, both streaming.

*Rail*: three or more equal samples in a row at or near full scale, per polarity (the two rails may differ).
A converter that ran out of numbers leaves exactly this.

*Flat tops*: an amplifier or preamplifier that ran out of supply leaves tops that are cut off at some level
below the rail, level or (after a coupling capacitor) sloped. Such a top is a stretch with next to no
curvature between two sharp concave corners; a natural top, however slow, has its curvature spread evenly.
One such top means little. A clipped stage leaves many, at nearly one level, and little above it: that is
judged over a whole span by ``flat_tops.judge_flat_tops``.

Sources: Laguna, Lerch, "An efficient algorithm for clipping detection and declipping audio", AES 141, 2016,
for the histogram; the second-difference test for sloped tops is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import WindowMeter
from sidekeep.dsp.kernel import kernel

RAIL = 0.98
"""A run of equal samples counts as clipped from here up (-0.18 dBFS)."""
SHORTEST_RUN = 3
"""Two equal samples in a row are found at the top of any wave; three at the rail are not."""
_MOST_SPANS = 200_000
"""A guard on memory: a side that clips so often is clipped, however often more."""
FLATTEST_LEVEL = 0.05
"""Tops below -26 dBFS are not looked at: the grid of 16-bit samples is too coarse there."""


@dataclass(frozen=True, kw_only=True)
class LevelRuns:
    """Half-open stretches of one channel each, in order of their end; ``level`` is the signed height."""

    start_frame: NDArray[np.int64]
    stop_frame: NDArray[np.int64]
    channel: NDArray[np.int64]
    level: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.start_frame)

    def chosen(self, keep: NDArray[np.bool_]) -> LevelRuns:
        """The spans marked True."""
        return LevelRuns(
            start_frame=self.start_frame[keep],
            stop_frame=self.stop_frame[keep],
            channel=self.channel[keep],
            level=self.level[keep],
        )


@kernel
def _fast_runs(frames, count, rail, shortest, values, lengths, found):  # type: ignore[no-untyped-def]
    """Runs of equal samples at the rail that end in this window.

    ``values`` and ``lengths`` (channels,) carry the open run; ``found`` rows: channel, frame after the run
    (relative to the window), length, value. Returns how many.
    """
    many = 0
    for channel in range(frames.shape[1]):
        value = values[channel]
        length = lengths[channel]
        for n in range(count):
            x = frames[n, channel]
            if x == value:
                length += 1
                continue
            if length >= shortest and abs(value) >= rail:
                found[many, 0] = channel
                found[many, 1] = n
                found[many, 2] = length
                found[many, 3] = value
                many += 1
            value = x
            length = 1
        values[channel] = value
        lengths[channel] = length
    return many


@kernel
def _fast_tops(line, before, count, high, low, least, found, many, channel):  # type: ignore[no-untyped-def]
    """Cut-off tops of one channel that start in this window; rows: channel, start, stop, level, slope.
    ``high`` and ``low`` are the window's extremes."""
    for polarity in range(2):
        sign = 1.0 if polarity == 0 else -1.0
        top = high if polarity == 0 else -low
        if top < least:
            continue
        floor = 0.6 * top
        flat = 0.0015 * top
        n = before
        while n < before + count:
            # Most of a window lies far below its top.
            if n + 8 <= before + count:
                one = max(
                    max(sign * line[n], sign * line[n + 1]), max(sign * line[n + 2], sign * line[n + 3])
                )
                two = max(
                    max(sign * line[n + 4], sign * line[n + 5]), max(sign * line[n + 6], sign * line[n + 7])
                )
                if max(one, two) < floor:
                    n += 8
                    continue
            # A corner into a flat stretch: steep before, next to no curvature after.
            if sign * line[n] < floor or abs(line[n + 2] - 2.0 * line[n + 1] + line[n]) > flat:
                n += 1
                continue
            stop = n + 3
            while stop < line.shape[0] - 3 and (
                abs(line[stop] - 2.0 * line[stop - 1] + line[stop - 2]) <= flat
            ):
                stop += 1
            length = stop - n
            slope = (line[stop - 1] - line[n]) / (length - 1)
            if length >= 4 and stop < line.shape[0] - 3:
                # How far the sound falls away from the stretch's own line, two frames outside each end:
                # a corner may lie between two frames.
                fall_in = sign * (line[n] - 2.0 * slope - line[n - 2])
                fall_out = sign * (line[stop - 1] + 2.0 * slope - line[stop + 1])
                corner = max(16.0 * flat, 4.0 * abs(slope))
                if fall_in > corner and fall_out > corner and many < found.shape[0]:
                    found[many, 0] = channel
                    found[many, 1] = n - before
                    found[many, 2] = stop - before
                    found[many, 3] = 0.5 * (line[n] + line[stop - 1])
                    found[many, 4] = slope
                    many += 1
            n = stop
    return many


class ClippingMeter(WindowMeter):
    """Collects runs at the rail and cut-off tops.

    ``clipped_frames`` counts frames in runs (each frame once per channel it is clipped in); at most 200,000
    spans are kept, the count goes on.
    """

    before = 4
    after = 400
    """A cut-off top longer than 4 ms at 96 kHz is a square wave, not music at its limit."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        super().__init__(rate_hz, channels)
        self._frame = 0
        self._values = np.full(channels, np.nan)
        self._lengths = np.zeros(channels, np.int64)
        self._found = np.empty((self.window_frames * channels + channels, 5))
        self._runs: list[NDArray[np.float64]] = []
        self._tops: list[NDArray[np.float64]] = []
        self._kept = 0

    def window(self, frames: NDArray[np.float64], count: int) -> None:
        """One window with 4 frames before and 400 after."""
        inner = frames[self.before : self.before + self.window_frames]
        high, low = inner.max(axis=0), inner.min(axis=0)
        peak = max(high.max(), -low.min())
        if peak >= RAIL or bool((np.abs(self._values) >= RAIL).any()):
            many = _fast_runs(inner, count, RAIL, SHORTEST_RUN, self._values, self._lengths, self._found)
            self._keep_runs(self._found[:many])
        else:
            self._values = inner[count - 1].copy()
            self._lengths[:] = 1
        if peak >= FLATTEST_LEVEL:
            many = 0
            for channel, line in enumerate(frames.T):
                many = _fast_tops(
                    line,
                    self.before,
                    count,
                    max(high[channel], 0.0),
                    min(low[channel], 0.0),
                    FLATTEST_LEVEL,
                    self._found,
                    many,
                    channel,
                )
            if many and self._kept < _MOST_SPANS:
                tops = self._found[:many].copy()
                tops[:, 1:3] += self._frame
                self._tops.append(tops)
                self._kept += many
        self._frame += count

    def finish(self) -> None:
        """Close the last window and the runs still open."""
        super().finish()
        self.close()

    def close(self) -> None:
        """Count the runs that reach the end of the sound."""
        rows = [
            [channel, 0, length, value, 0.0]
            for channel, (value, length) in enumerate(zip(self._values, self._lengths))
            if length >= SHORTEST_RUN and abs(value) >= RAIL
        ]
        # The run ends where the sound ends: relative to a window that would start there.
        self._keep_runs(np.array(rows).reshape(-1, 5))
        self._lengths[:] = 0

    def _keep_runs(self, found: NDArray[np.float64]) -> None:
        if len(found) == 0:
            return
        if self._kept < _MOST_SPANS:
            rows = np.empty((len(found), 5))
            rows[:, 0] = found[:, 0]
            rows[:, 2] = self._frame + found[:, 1]
            rows[:, 1] = rows[:, 2] - found[:, 2]
            rows[:, 3] = found[:, 3]
            rows[:, 4] = 0.0
            self._runs.append(rows)
            self._kept += len(found)

    @property
    def runs(self) -> LevelRuns:
        """Runs at the rail."""
        return _spans(self._runs)

    @property
    def tops(self) -> LevelRuns:
        """Cut-off tops, most of them by chance; ``judge_flat_tops`` says what they mean."""
        return _spans(self._tops)


def _spans(pieces: list[NDArray[np.float64]]) -> LevelRuns:
    rows = np.concatenate(pieces) if pieces else np.empty((0, 5))
    return LevelRuns(
        start_frame=rows[:, 1].astype(np.int64),
        stop_frame=rows[:, 2].astype(np.int64),
        channel=rows[:, 0].astype(np.int64),
        level=rows[:, 3].copy(),
    )


def clipped_frames(runs: LevelRuns) -> int:
    """Frames that are clipped in at least one channel."""
    if len(runs) == 0:
        return 0
    order = np.argsort(runs.start_frame, kind="stable")
    start, stop = runs.start_frame[order], runs.stop_frame[order]
    reached = np.maximum.accumulate(np.concatenate(([start[0]], stop[:-1])))
    return int(np.maximum(0, stop - np.maximum(start, reached)).sum())
