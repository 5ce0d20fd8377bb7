"""Sound that was lost on the way is found by comparing frames with clocks: no flag of any library tells of it.

Every block carries a stamp, the moment its first frame was captured as the device tells it (the moment it arrived where a
device tells nothing; that is always late, never early). ``lag = stamp - frame / rate`` moves slowly: two clocks differ, and
the stamps of a stream wander by some 30 ms while it settles (measured on a virtual sound card). A loss lifts it from one block
to the next and for good. A stall without loss throws stamps about for a while and then they return. So a loss is what
is both: a step where it happens, and over the level of the ten seconds before for four seconds after. Until there are ten
seconds of level, a step must be larger than what settling stamps do by themselves.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_LOSS_S = 0.015
"""Under the 20 ms that must be found; stamps themselves were seen to step by 12 ms on a machine with too much to do."""
_SETTLE_S = 4.0
"""So long must the lag stay lifted; stamps need up to 2 s to calm down after a stall (measured on a virtual sound card)."""
_LEVEL_S = 10.0
_UNEVEN_S = 3.0
"""The first seconds of an input are not looked at: deliveries settle, and what they settle at is the start."""
LEAST_EARLY_S = 0.04
"""Until a level of ten seconds is known, stamps that settle cannot be told from a smaller loss: they wander by some 30 ms."""
_HISTORY_S = 120.0
_LOOK_EVERY = 5
_LOOK_FOR_STEADY_EVERY = 100
_STEP_BLOCKS = 12
_THROWN_S = 0.005
_FAR_S = 0.05
_STEADY_LOSS = 800e-6
_STEADY_S = 60.0
"""A minute, because stamps themselves wander by some 10 ms while a stream settles (measured on a virtual sound card)."""


@dataclass(frozen=True, kw_only=True)
class Loss:
    """``frames`` lost before ``at_frame``; ``steady_ppm`` is set where sound is lost all the time instead."""

    at_frame: int
    frames: int
    steady_ppm: float = 0.0


class LossWatch:
    """Feed it every block in order; it tells of losses some seconds after they happened."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._frames: list[int] = []
        self._stamps: list[float] = []
        self._lags: list[float] = []
        self._told_s = 0.0
        self._count = 0
        self._first = 0
        self._looked = 0
        self._started_s: float | None = None
        self._drift_told_s = 0.0

    def take(self, frame: int, stamp_s: float) -> list[Loss]:
        """A block that begins at ``frame``; losses that are certain now, oldest first."""
        if self._started_s is None:
            self._started_s = stamp_s
        if stamp_s - self._started_s < _UNEVEN_S:
            return []
        self._frames.append(frame)
        self._stamps.append(stamp_s)
        self._lags.append(stamp_s - frame / self._rate_hz - self._told_s)
        self._count += 1
        if self._count % _LOOK_EVERY:
            return []
        self._forget(stamp_s - _HISTORY_S)
        # The newest block that has enough behind it.
        found = self._step_at(bisect_left(self._frames, frame - round(_SETTLE_S * self._rate_hz)))
        if found is not None:
            return [found]
        return self._steady() if self._count % _LOOK_FOR_STEADY_EVERY == 0 else []

    def _forget(self, before_s: float) -> None:
        old = bisect_left(self._stamps, before_s)
        if old >= 200:  # in pieces, not one by one
            del self._frames[:old], self._stamps[:old], self._lags[:old]
            self._first += old

    def _least(self, at: int) -> float:
        """What a step at block ``at`` must have in s to be judged at all."""
        assert self._started_s is not None
        is_level_known = self._stamps[at] - self._started_s >= _UNEVEN_S + _LEVEL_S
        return LEAST_LOSS_S if is_level_known else LEAST_EARLY_S

    def _step_at(self, at: int) -> Loss | None:
        """A loss at or near block ``at``, which is told once."""
        start = bisect_left(self._stamps, self._stamps[at] - _LEVEL_S)
        if at - start < 2 * _STEP_BLOCKS or len(self._lags) - at < 2 * _STEP_BLOCKS:
            return None
        near = median(self._lags[at - _STEP_BLOCKS : at])
        step = median(self._lags[at : at + _STEP_BLOCKS]) - near
        if step < self._least(at):
            return None
        lags = np.asarray(self._lags[start:])
        at -= start
        before, after = lags[:at], lags[at:]
        noise = float(np.median(np.abs(np.diff(before)))) * 1.05
        least_s = max(LEAST_LOSS_S, 4.0 * noise)
        level = float(np.median(before))
        # Late arrivals pass: nearly all of what came after must lie over the level.
        settled = float(np.quantile(after, 0.1)) - level
        if min(settled, step) < least_s:
            return None
        if not _is_behind_a_stall(before, near, level):
            place, height = self._edge(lags, at, near, step)
        else:
            # Behind a stall: the sound was lost where stamps began to be thrown about.
            thrown = np.flatnonzero(np.abs(before - level) > LEAST_LOSS_S)
            place, height = int(thrown[0]), float(np.median(after)) - level
        place += start
        if self._first + place <= self._looked:
            return None
        self._looked = self._first + max(place, at + start)
        self._told_s += height
        for index in range(place, len(self._lags)):
            self._lags[index] -= height
        return Loss(at_frame=self._frames[place], frames=round(height * self._rate_hz))

    def _edge(self, lags: Floats, at: int, near: float, step: float) -> tuple[int, float]:
        """The block from which on the lag is lifted, and by how much."""
        first = max(1, at - _STEP_BLOCKS)
        window = lags[first : at + _STEP_BLOCKS]
        stays = np.minimum.accumulate(window[::-1])[::-1]
        lifted = np.flatnonzero(stays >= near + 0.5 * step)
        place = first + (int(lifted[0]) if len(lifted) else at - first)
        after, before = lags[place + 1 : place + 1 + _STEP_BLOCKS], lags[max(0, place - _STEP_BLOCKS) : place]
        if not len(before) or not len(after):
            return place, step
        if float(np.median(np.abs(after - np.median(after)))) > _THROWN_S:
            # Stamps are thrown about behind a stall: what they settle at is the height.
            after = lags[-_STEP_BLOCKS:]
        return place, max(float(np.median(after) - np.median(before)), 0.5 * step)

    def _steady(self) -> list[Loss]:
        """Lost all the time, in pieces too small to be seen."""
        last_s = self._stamps[-1]
        if last_s - self._stamps[0] < _STEADY_S or last_s - self._drift_told_s < 60.0:
            return []
        stamps, lags = np.asarray(self._stamps), np.asarray(self._lags)
        recent = stamps > last_s - _STEADY_S
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
        self._drift_told_s = last_s
        return [Loss(at_frame=self._frames[-1], frames=round(rise_s * self._rate_hz), steady_ppm=slope * 1e6)]


def _is_behind_a_stall(before: Floats, near: float, level: float) -> bool:
    """Stamps far below their level, or below it and thrown about; those that settle creep below it in good order."""
    below_s = level - near
    last = before[-_STEP_BLOCKS:]
    is_thrown = float(np.median(np.abs(last - near))) > _THROWN_S
    return below_s > _FAR_S or (is_thrown and below_s > LEAST_LOSS_S)


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
