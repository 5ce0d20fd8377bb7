"""Sound that was lost on the way is found by comparing frames with clocks: no flag of any library tells of it.

Every block carries a stamp, the moment its first frame was captured as the device tells it (the moment it arrived where a
device tells nothing; that is always late, never early). ``lag = stamp - frame / rate`` moves slowly: two clocks differ, and
stamps of a virtual sound card wander by 20 to 30 ms, while a stream settles and whenever the machine has too much to do. On
such a machine single deliveries are also stamped up to 150 ms early, and return to where they were; so what is followed is
the ceiling of half a second, under which nearly all of its lags lie. A loss lifts it from one block to the next and for good:
it is told where the lowest ceiling of the three seconds after lies over the highest of the two seconds before, and well over
the highest of ten seconds (a lag that only comes back from a stall does not). Behind a stall stamps may lie up to 200 ms too late
as well, and come back within ten seconds with every sample there: a lifted lag that falls is waited for. Until there are ten
seconds of level, the step must be larger than what settling stamps do by themselves.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from sidekeep.devices.settled_level import AFTER_BLOCKS, COMES_BACK_BLOCKS, highest_before, settled_rise

LEAST_LOSS_S = 0.015
"""Under the 20 ms that must be found; ceilings of a virtual sound card were seen to rise by 13 ms by themselves on a machine with
four times too much to do."""
LEAST_EARLY_S = 0.04
"""Until a level of ten seconds is known."""
_UNEVEN_S = 3.0
"""The first seconds of an input are not looked at: deliveries settle, and what they settle at is the start."""
_LEVEL_S = 10.0
_BLOCKS_PER_S = 20
_CEILING_BLOCKS = _BLOCKS_PER_S // 2
_HIGHEST = 3
"""Of the lags of half a second this one is their ceiling (``_ceiling``)."""
_BEFORE_BLOCKS, _AFTER_BLOCKS = 2 * _BLOCKS_PER_S, 3 * _BLOCKS_PER_S
_LEVEL_BLOCKS = round(_LEVEL_S * _BLOCKS_PER_S)
_OVER_LEVEL = 0.2
"""Of a step, so much must lie over the level of ten seconds."""
_SMALL_S, _OVER_SETTLED = 0.1, 0.4
"""The same of a step so small, over what the lag of the last half minute always came back to."""
_HEIGHT_S = 0.008
"""So well the height of a loss is known."""
_HIDING = 2.0
"""Before a step so many times larger a smaller one cannot be told from wandering: what it would have returned to is not seen."""
_FAR_S = 0.04
"""A ceiling so far under the level is one of stamps that were thrown early, and tells nothing of it."""
_OVER_JITTER, _STEADY_OVER_JITTER = 4.0, 6.0
"""A step, and a steady loss's rise in a minute, must be so many times the jitter of single lags (chosen here)."""
_THROWN_S = 0.005
"""Stamps that lie about their middle by more are thrown about: what they settle at is waited for."""
_WAIT_BLOCKS = 8 * _BLOCKS_PER_S
"""So long a lag that falls, or that is thrown about, is waited for."""
_FALLS_S, _FALLS_OF_STEP, _FALLS_OF_RISE = 0.006, 0.12, 0.3
"""A lag that falls by so much, and by such a share of what it rose, is on its way back."""
_HISTORY_S = 120.0
"""Kept of the past: twice what the longest look needs."""
_LOOK_EVERY, _LOOK_FOR_STEADY_EVERY = 5, 100
"""Blocks between two looks."""
_STEADY_LOSS = 800e-6
"""Share of the sound: two clocks of sound cards differ by less (chosen here)."""
_LEAST_MOVE = 0.3
"""Each sixth of the past moves by such a share of their median at least, or the loss is not steady (chosen here)."""
_STEADY_S = 60.0
"""A minute, because stamps themselves wander while a stream settles."""


@dataclass(frozen=True, kw_only=True)
class Loss:
    """``frames`` lost before ``at_frame``, or as far from it as ``within_frames``, most likely at one of ``or_at_frames``;
    ``steady_ppm`` is set where sound is lost all the time instead."""

    at_frame: int
    frames: int
    within_frames: int = 0
    or_at_frames: tuple[int, ...] = ()
    steady_ppm: float = 0.0


class LossWatch:
    """Feed it every block of a twentieth of a second in order; it tells of losses some seconds after they happened."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._frames: list[int] = []
        self._stamps: list[float] = []
        self._lags: list[float] = []
        self._ceilings: list[float] = []  # of the half second that begins at a block
        self._told_s = 0.0
        self._told_at: int | None = None
        self._count = 0
        self._next = 0
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
        if len(self._lags) >= _CEILING_BLOCKS:
            self._ceilings.append(_ceiling(self._lags[-_CEILING_BLOCKS:]))
        self._count += 1
        if self._count % _LOOK_EVERY:
            return []
        self._forget(stamp_s - _HISTORY_S)
        found = self._steps()
        if not found and self._count % _BLOCKS_PER_S == 0:
            found = self._risen()
        if not found and self._count % _LOOK_FOR_STEADY_EVERY == 0:
            found = self._steady()
        return found

    def _forget(self, before_s: float) -> None:
        old = min(bisect_left(self._stamps, before_s), self._next)
        if old >= 200:  # in pieces, not one by one
            for kept in (self._frames, self._stamps, self._lags, self._ceilings):
                del kept[:old]
            self._next -= old

    def _steps(self) -> list[Loss]:
        """Losses at the blocks that have enough behind them by now."""
        found = []
        self._next = max(self._next, _BEFORE_BLOCKS)
        while self._next + _AFTER_BLOCKS <= len(self._lags):
            at = self._next
            if self._is_step(at):
                waited = len(self._lags) - at - _AFTER_BLOCKS
                falls = self._falls(at, _FALLS_OF_STEP)
                if waited < _WAIT_BLOCKS and (falls or _is_thrown(self._lags[-_BLOCKS_PER_S:])):
                    break
                # Behind a stall: what stamps settle at is the height.
                loss = self._loss_near(at, settled=falls or waited > _LOOK_EVERY)
                found += [loss] if loss is not None else []
            self._next += 1
        return found

    def _is_step(self, at: int) -> bool:
        """Whether the lag is lifted at or near block ``at``, and stays so."""
        is_early = self._is_early(at)
        first, behind = max(0, at - _LEVEL_BLOCKS), at - _CEILING_BLOCKS + 1
        before = max(self._ceilings[at - (_BLOCKS_PER_S if is_early else _BEFORE_BLOCKS) : behind])
        after = self._ceilings[at : at + _AFTER_BLOCKS - _CEILING_BLOCKS + 1]
        least = LEAST_EARLY_S if is_early else LEAST_LOSS_S
        if max(after) - before < least:
            return False
        # What is stamped far too early for a while, behind a stall, says nothing of the level.
        calm = [ceiling for ceiling in after if ceiling > before - _FAR_S]
        if 2 * len(calm) < len(after):
            return False
        low = min(calm)
        step = low - before
        if step < least:
            return False
        if low - max(self._ceilings[first:behind]) < _OVER_LEVEL * step:
            return False
        if not is_early and step < _SMALL_S:
            # Coming back to where it always lies, it rises as well.
            level = self._settled_before(behind, at, -_HEIGHT_S)
            if level is not None and low - level < _OVER_SETTLED * step:
                return False
        if self._highest_rise(at + _CEILING_BLOCKS + 2, at + _AFTER_BLOCKS) > _HIDING * step:
            return False
        return step >= _OVER_JITTER * _jitter_s(self._lags[first:at])

    def _falls(self, at: int, share: float) -> bool:
        """Whether the lag has come down again since it was lifted at block ``at``, by that share of it."""
        before = max(self._ceilings[at - _BLOCKS_PER_S : at - _CEILING_BLOCKS + 1])
        after = np.asarray(self._ceilings[at:])
        highest = np.maximum.accumulate(after)
        return bool((highest - after > np.maximum(_FALLS_S, share * (highest - before))).any())

    def _highest_rise(self, start: int, stop: int) -> float:
        """The most that one half second lies over the one before it."""
        half = _CEILING_BLOCKS
        return max(
            self._ceilings[index] - self._ceilings[index - half] for index in range(start, stop - half + 1)
        )

    def _risen(self) -> list[Loss]:
        """A loss that could not be seen while stamps were thrown about."""
        now = len(self._ceilings) - AFTER_BLOCKS
        stop = now - COMES_BACK_BLOCKS
        level = self._settled_before(stop, now, _HEIGHT_S) if stop > 0 else None
        rise = settled_rise(self._lags, self._ceilings, stop, level) if level is not None else None
        if rise is None or self._falls(len(self._ceilings) - AFTER_BLOCKS, _FALLS_OF_RISE):
            return []
        self._put_back(rise.places[0], rise.height_s)
        self._next = max(self._next, rise.places[0])
        at, *others = (self._frames[block] for block in rise.places)
        within = max(at - self._frames[rise.first], self._frames[rise.last] - at)
        frames = round(rise.height_s * self._rate_hz)
        return [Loss(at_frame=at, frames=frames, within_frames=within, or_at_frames=tuple(others))]

    def _settled_before(self, stop: int, at: int, height_s: float) -> float | None:
        """What the lag always came back to up to block ``stop``, as it would be at block ``at``; None where that is not known.
        By what lies before the last loss it is known less well: ``height_s`` is put on that."""
        settled, known = self._known_from()
        since = highest_before(self._ceilings[known:stop], at - stop) if stop > known else None
        ever = highest_before(self._ceilings[settled:stop], at - stop) if known > settled else None
        if since is None or ever is None:
            return since
        return max(since, ever + height_s)

    def _known_from(self) -> tuple[int, int]:
        """The first block behind the settling of the input, and behind the last loss too."""
        assert self._started_s is not None
        settled = bisect_left(self._stamps, self._started_s + _UNEVEN_S + _LEVEL_S)
        return settled, max(
            settled, 0 if self._told_at is None else bisect_right(self._frames, self._told_at)
        )

    def _put_back(self, place: int, height: float) -> None:
        """The lags from a loss on are seen as if nothing had been lost."""
        self._told_s += height
        self._told_at = self._frames[place]
        for index in range(place, len(self._lags)):
            self._lags[index] -= height
        for index in range(max(0, place - _CEILING_BLOCKS + 1), len(self._ceilings)):
            self._ceilings[index] = _ceiling(self._lags[index : index + _CEILING_BLOCKS])

    def _is_early(self, at: int) -> bool:
        """Whether the level of the input is not known yet at block ``at``."""
        assert self._started_s is not None
        return self._stamps[at] - self._started_s < _UNEVEN_S + _LEVEL_S

    def _loss_near(self, at: int, *, settled: bool) -> Loss | None:
        """The loss at the block from which on the lag is lifted; the lags after it are put back. ``settled``: its height is that
        of the last second."""
        half = _CEILING_BLOCKS
        low = median(self._ceilings[at - 2 * half + 2 : at - half - 1])
        high = median(self._ceilings[at + half - 2 : at + 2 * half - 2])
        place = self._edge(at, 0.5 * (low + high))
        if settled:
            high = median(self._ceilings[-_CEILING_BLOCKS:])
        height = high - low
        self._next = max(self._next, place + half)
        if height < LEAST_LOSS_S:
            return None
        self._put_back(place, height)
        return Loss(at_frame=self._frames[place], frames=round(height * self._rate_hz))

    def _edge(self, at: int, middle: float) -> int:
        """The first block over the middle with a ceiling over it: blocks are stamped early now and then, hardly ever late."""
        for index in range(at - _CEILING_BLOCKS, at + 2 * _CEILING_BLOCKS):
            if self._lags[index] >= middle and self._ceilings[index] >= middle:
                return index
        return at

    def _steady(self) -> list[Loss]:
        """Lost all the time, in pieces too small to be seen."""
        last_s = self._stamps[-1]
        if last_s - self._stamps[0] < _STEADY_S or last_s - self._drift_told_s < _STEADY_S:
            return []
        stamps, lags = np.asarray(self._stamps), np.asarray(self._lags)
        recent = stamps > last_s - _STEADY_S
        third = max(1, int(recent.sum()) // 3)
        x, y = stamps[recent], lags[recent]
        rise_s = float(np.median(y[-third:]) - np.median(y[:third]))
        slope = rise_s / float(np.median(x[-third:]) - np.median(x[:third]))
        if abs(slope) < _STEADY_LOSS or abs(rise_s) < max(LEAST_LOSS_S, _STEADY_OVER_JITTER * _jitter_s(y)):
            return []
        sixths = [np.median(part) for part in np.array_split(y, 6)]
        moves = np.diff(sixths) * np.sign(slope)
        if (moves < _LEAST_MOVE * np.median(moves)).any():
            return []  # not steady
        self._drift_told_s = last_s
        return [Loss(at_frame=self._frames[-1], frames=round(rise_s * self._rate_hz), steady_ppm=slope * 1e6)]


def _ceiling(lags: Sequence[float]) -> float:
    """The third highest of half a second: two of ten may be late, and seven may be early."""
    return sorted(lags)[-_HIGHEST]


def _jitter_s(lags: Sequence[float] | NDArray[np.float64]) -> float:
    """Normal deviation of single lags, by the median difference of neighbours (0.954 of it), which no step moves."""
    return float(np.median(np.abs(np.diff(lags)))) * 1.05


def _is_thrown(lags: Sequence[float]) -> bool:
    middle = median(lags)
    return median(abs(lag - middle) for lag in lags) > _THROWN_S


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
