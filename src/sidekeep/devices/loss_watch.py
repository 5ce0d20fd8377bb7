"""Sound that was lost on the way is found by comparing frames with clocks: no flag of any library tells of it.

Every block carries a stamp, the moment its first frame was captured as the device tells it (the moment it arrived where a
device tells nothing; that is always late, never early). ``lag = stamp - frame / rate`` is then a straight line, whose slope is
how far the two clocks differ; a loss lifts it for good. A stall without loss throws stamps about for a while and then
they return to the line: so only what stays for some seconds counts, and its place is where the line was left.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_LOSS_S = 0.012
"""Half of what must be found (20 ms) and some: rounding of stamps is far below."""
_SETTLE_S = 4.0
"""So long must the lag stay lifted; stamps need up to 2 s to calm down after a stall (measured on a virtual sound card)."""
_HISTORY_S = 120.0
_FEWEST = 40
_MOST_DRIFT = 600e-6
"""Two sound clocks differ by some 100 ppm at most (common practice, no source); more is sound lost all the time."""
_STEADY_LOSS = 800e-6
_STEADY_S = 60.0
"""A minute, because stamps themselves wander by some 10 ms while a stream settles (measured on a virtual sound card)."""


@dataclass(frozen=True, kw_only=True)
class Loss:
    """``frames`` lost before ``at_frame``; ``steady_ppm`` is set where sound is lost all the time instead."""

    at_frame: int
    frames: int
    steady_ppm: float = 0.0


@dataclass(frozen=True)
class _Mark:
    frame: int
    stamp_s: float
    lag_s: float


class LossWatch:
    """Feed it every block in order; it tells of losses some seconds after they happened."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._marks: deque[_Mark] = deque()
        self._count = 0
        self._started_s: float | None = None
        self._base_s = 0.0
        self._drift_told_s = 0.0
        self._slope = 0.0

    def take(self, frame: int, stamp_s: float) -> list[Loss]:
        """A block that begins at ``frame``; losses that are certain now, oldest first."""
        self._marks.append(_Mark(frame, stamp_s, stamp_s - frame / self._rate_hz))
        while self._marks[-1].stamp_s - self._marks[0].stamp_s > _HISTORY_S:
            self._marks.popleft()
        self._count += 1
        if self._started_s is None:
            self._started_s = stamp_s
        # The first seconds of an input are uneven: deliveries settle, and what they settle at is the start.
        if stamp_s - self._started_s < 3.0:
            self._marks.clear()
            return []
        if self._count % 5:
            return []
        return self._look()

    def _look(self) -> list[Loss]:
        marks = list(self._marks)
        stamps = np.array([mark.stamp_s for mark in marks])
        lags = np.array([mark.lag_s for mark in marks])
        late = stamps > stamps.max() - _SETTLE_S
        if late.sum() < _FEWEST or (~late).sum() < _FEWEST // 2:
            return []
        base, slope = self._line(stamps[~late], lags[~late])
        over = lags - (base + slope * (stamps - stamps[0]))
        noise = float(np.median(np.abs(over[~late] - np.median(over[~late])))) * 1.48
        least_s = max(LEAST_LOSS_S, 6.0 * noise)
        # A loss stays: nearly all stamps of the last seconds must lie over the line. (Late arrivals pass.)
        settled = float(np.quantile(over[late], 0.1))
        if settled < least_s:
            return self._steady(stamps, lags)
        found = self._places(marks, over, least_s)
        if found:
            last = found[-1].at_frame
            self._marks = deque(mark for mark in marks if mark.frame >= last)
        return found

    def _line(self, stamps: Floats, lags: Floats) -> tuple[float, float]:
        """Median line through the older stamps: offset at the first stamp, slope held to what clocks do."""
        span = stamps[-1] - stamps[0]
        slope = self._slope
        if span >= 20.0:
            third = len(lags) // 3
            rise = np.median(lags[-third:]) - np.median(lags[:third])
            slope = float(rise / (np.median(stamps[-third:]) - np.median(stamps[:third])))
            slope = min(max(slope, -_MOST_DRIFT), _MOST_DRIFT)
            self._slope = slope
        x = stamps - stamps[0]
        return float(np.quantile(lags - slope * x, 0.5)), slope

    def _places(self, marks: list[_Mark], over: Floats, least_s: float) -> list[Loss]:
        """Where the lag was lifted for good. What is over the line from a place on stays over it."""
        # Seen from the end, the lowest lag so far: excursions of late stamps drop out, losses remain.
        stays = np.minimum.accumulate(over[::-1])[::-1]
        smooth = _median_of(over, 5)
        found: list[Loss] = []
        level = 0.0
        at = 0
        while at < len(stays):
            if stays[at] - level < least_s:
                at += 1
                continue
            # The step may come in some blocks when stamps are uneven: its height is what it settles at.
            until = min(len(stays), at + 12)
            height = float(np.median(smooth[at:until])) - level
            height = max(height, float(stays[at]) - level)
            before = float(np.median(over[max(0, at - 12) : at])) if at else level
            if float(stays[at]) - before < 0.6 * height and found == []:
                return []  # it crept up: no step, but sound lost all the time
            found.append(Loss(at_frame=marks[at].frame, frames=round(height * self._rate_hz)))
            level += height
            at = until
        return found

    def _steady(self, stamps: Floats, lags: Floats) -> list[Loss]:
        """Lost all the time, in pieces too small to be seen."""
        if stamps[-1] - stamps[0] < _STEADY_S or stamps[-1] - self._drift_told_s < 60.0:
            return []
        recent = stamps > stamps[-1] - _STEADY_S
        third = max(1, int(recent.sum()) // 3)
        x, y = stamps[recent], lags[recent]
        rise_s = float(np.median(y[-third:]) - np.median(y[:third]))
        slope = rise_s / float(np.median(x[-third:]) - np.median(x[:third]))
        noise = float(np.median(np.abs(np.diff(y)))) * 1.05
        if abs(slope) < _STEADY_LOSS or abs(rise_s) < max(LEAST_LOSS_S, 6.0 * noise):
            return []
        halves = [np.median(part) for part in np.array_split(y, 6)]
        moves = np.diff(halves) * np.sign(slope)
        if (moves < 0.3 * np.median(moves)).any():
            return []  # not steady
        self._drift_told_s = float(stamps[-1])
        frame = self._marks[-1].frame
        return [Loss(at_frame=frame, frames=round(rise_s * self._rate_hz), steady_ppm=slope * 1e6)]


def _median_of(x: Floats, size: int) -> Floats:
    if len(x) < size:
        return x
    padded = np.pad(x, size // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, size), axis=1))


class StampClock:
    """Stamps of blocks on one clock of ours, from what the sound library says of the device's time.

    The library's clock may be any; what lies between it and ours is the smallest difference of the last seconds, for
    a callback can come late and never early. A machine that slept makes a jump, which is followed after two seconds.
    """

    def __init__(self) -> None:
        self._between: deque[float] = deque(maxlen=100)

    def stamp(self, arrived_s: float, library_now_s: float, captured_s: float, block_s: float) -> float:
        """When the first frame was captured, on our clock."""
        behind_s = library_now_s - captured_s
        if captured_s <= 0.0 or not -0.5 < behind_s < 60.0:
            return arrived_s - block_s
        self._between.append(arrived_s - library_now_s)
        recent = list(self._between)
        between = min(recent)
        if len(recent) >= 40 and min(recent[-40:]) > between + 0.02:
            between = min(recent[-40:])
            self._between = deque(recent[-40:], maxlen=100)
        return captured_s + between
