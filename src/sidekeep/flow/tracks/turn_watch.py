"""Listens to a take for moments that are the turn before once more, and keeps those; ``flow.tracks.turns_again`` judges them.

Conventions: frames at the take's rate where said, else at the working rate of the features. A *moment* is twelve hops of the
features, a little over a quarter of a second. Every moment is looked for one turn of a record or two
earlier, every third anywhere in the last ten turns. Memory is that of those ten turns (about 15 MB) and of what was found alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.earlier_sound import EarlierSound
from sidekeep.dsp.tracks.locked_groove import MOST_OFF, TURN_PERIODS_S
from sidekeep.dsp.tracks.same_turn import Likeness, likeness

Singles = NDArray[np.float32]

FARTHEST_S = 18.0
"""Ten turns of a long-playing record (chosen here: a needle that jumps farther has been pushed, and whoever did so knows)."""
_BACK = 12
"""Moments before one that was found that may belong to it: the search misses some where the music hides the groove."""
_EVERY, _MOST = 3, (3, 2)
"""Every third moment is laid on the three likeliest places of all, the others on the two likeliest of the last two turns: two
turns of a 78 are few moments, and music that repeats itself is like itself at several places."""
_SURE = 0.5
"""Where the difference leaves less than this of the cells nothing farther back is asked: 0.3 to 0.4 for a groove heard twice, 0.7
and more for music alone (pressed sides)."""
_FAR_MORE = 0.7
"""Of what the other leaves: a turn that is heard for the seventh time is as like the one six turns back as the last."""
_SAME = 0.001
"""As in ``turns_again``: delays of one stretch."""
_HOPS = 12
"""Of a moment: three and more to a turn of any speed, and long enough to tell a repeat from chance."""
ALIKE = 0.4
"""Share of a piece that must be the same: about 0 for other sound, over 0.7 for a groove heard twice (pressed sides)."""
_REFINE_FRAMES, _EDGE_FRAMES = 24, 2
"""How far to either side of a delay is looked: one that was found at a low rate, and one that is known from the moment beside."""
_SILENCE = 1e-8
"""Mean square of mid under which nothing is looked for: -80 dBFS."""


@dataclass(frozen=True, eq=False)
class Moment:
    """``number`` counts moments from the start of the take; ``delay_frames`` at the take's rate. ``is_edge``: looked at only
    because the one beside it is alike."""

    number: int
    delay_frames: float
    cells: Likeness
    is_edge: bool


class TurnWatch:
    """``process`` what the feature meter makes of the take: mid and side at its working rate, and at a quarter of it."""

    def __init__(self, work_rate_hz: float, piece: int, scale: int) -> None:
        self.work_rate_hz, self.piece = work_rate_hz, piece
        self.moments: list[Moment] = []
        self._scale = scale
        self._size = _HOPS * piece
        self._reach = (int(FARTHEST_S * (1.0 + MOST_OFF) * work_rate_hz) // 4 + 2) * 4
        kept = self._reach + _REFINE_FRAMES + (_BACK + 2) * self._size
        self._work, self._low = Tail((2,), kept), Tail((), kept // 4 + 1)
        self._earlier = EarlierSound(self._size // 4, work_rate_hz / 4.0, self._reach // 4)
        self._delays = _delays_looked_for(work_rate_hz / 4.0)
        self._next = 0

    @property
    def moment_frames(self) -> int:
        """Frames of the take to a moment."""
        return self._size * self._scale

    @property
    def moments_heard(self) -> int:
        """Moments of the take that were looked at so far."""
        return self._next

    @property
    def piece_frames(self) -> int:
        """Frames of the take to one of the pieces by which a moment is laid on another."""
        return self.piece * self._scale

    def process(self, work: NDArray[np.float64], low: NDArray[np.float64]) -> None:
        """The next frames of mid and side, at the working rate and at a quarter of it: (n, 2) and (m, 2), any n and m."""
        at, under = 0, 0
        while at < len(work) or under < len(low):
            # no more at once than a moment: the rest of the tail is what was heard before
            self._work.append(work[at : at + self._size])
            self._low.append(low[under : under + self._size // 4, 0])
            at, under = at + self._size, under + self._size // 4
            while (self._next + 1) * self._size <= min(self._work.stop, 4 * self._low.stop):
                self._look(self._next)
                self._next += 1

    def _look(self, number: int) -> None:
        size = self._size // 4
        if number:
            self._earlier.add(number - 1, self._low.read((number - 1) * size, 2 * size))
        now = self._low.read(number * size, size)
        if float(np.mean(now**2)) < _SILENCE:
            return
        before = self.moments[-1] if self.moments and self.moments[-1].number == number - 1 else None
        goes_on = before is not None and not before.is_edge
        delays = [round(before.delay_frames / self._scale)] if before is not None and goes_on else []
        moment = self._likest(number, delays)
        if moment is None or moment.cells.rest > _SURE:
            is_all_asked = number % _EVERY == 0
            ranges, most = (self._delays, _MOST[0]) if is_all_asked else (self._delays[:-1], _MOST[1])
            found = (4 * delay for delay in self._earlier.find(number, now, ranges, most))
            others = [delay for delay in found if all(abs(delay - one) > _REFINE_FRAMES for one in delays)]
            moment = self._likest(number, others, moment)
        if moment is not None:
            self._keep_before(moment)
            self.moments.append(moment)
        elif goes_on:
            edge = self._compared(number, delays[0], is_edge=True)
            if edge is not None:
                self.moments.append(edge)

    def _likest(self, number: int, delays: Sequence[int], best: Moment | None = None) -> Moment | None:
        """The moment laid on the first of what it is alike to, or on what it is far more like; ``best`` is such a one by now."""
        for delay in delays:
            moment = self._compared(number, delay, is_edge=False)
            is_alike = moment is not None and np.median(moment.cells.alike) > ALIKE
            if (
                moment is not None
                and is_alike
                and (best is None or moment.cells.rest < _FAR_MORE * best.cells.rest)
            ):
                best = moment
        return best

    def _keep_before(self, moment: Moment) -> None:
        """The moments before one that begins to be alike, at its delay: the first is an edge of which a part may be alike. Those
        that are less like something else are taken back."""
        delay = round(moment.delay_frames / self._scale)
        fresh: list[Moment] = []
        for number in range(moment.number - 1, max(-1, moment.number - 1 - _BACK), -1):
            old = next((each for each in self.moments[-_BACK:] if each.number == number), None)
            if old is not None and abs(old.delay_frames - moment.delay_frames) < _SAME * moment.delay_frames:
                break
            each = self._compared(number, delay, is_edge=True)
            if each is None or (old is not None and old.cells.rest < min(_SURE, each.cells.rest)):
                break
            is_alike = bool(np.median(each.cells.alike) > ALIKE)
            fresh.append(replace(each, is_edge=not is_alike))
            if not is_alike:
                break
            delay = round(each.delay_frames / self._scale)
        first = fresh[-1].number if fresh else moment.number
        while self.moments and self.moments[-1].number >= first:
            self.moments.pop()
        self.moments += fresh[::-1]

    def _compared(self, number: int, delay: int, *, is_edge: bool) -> Moment | None:
        """The moment laid on the sound so long before it; None where nothing of it is alike."""
        start = number * self._size
        reach = _EDGE_FRAMES if is_edge else _REFINE_FRAMES
        first = start - delay - reach
        if first < 0:
            return None
        past = self._work.read(first, self._size + 2 * reach)
        cells = likeness(self._work.read(start, self._size), past, self.piece, self.work_rate_hz, ALIKE)
        return None if cells is None else Moment(number, (delay + cells.delay) * self._scale, cells, is_edge)


def _delays_looked_for(rate_hz: float) -> list[tuple[int, int]]:
    """In frames: one turn of every speed, from two turns of the fastest to two of the slowest, and at last all beyond that."""
    ranges = [(period_s * (1.0 - MOST_OFF), period_s * (1.0 + MOST_OFF)) for period_s in TURN_PERIODS_S]
    two_s = 2.0 * min(TURN_PERIODS_S) * (1.0 - MOST_OFF), 2.0 * max(TURN_PERIODS_S) * (1.0 + MOST_OFF)
    ranges += [two_s, (two_s[1], FARTHEST_S * (1.0 + MOST_OFF))]
    return [(int(low * rate_hz), int(high * rate_hz) + 1) for low, high in ranges]


class Tail:
    """The last ``kept`` frames of a sound and whatever was appended since, by their place in it."""

    def __init__(self, shape: tuple[int, ...], kept: int) -> None:
        self.stop = 0
        self._kept = kept
        self._frames = np.zeros((2 * kept, *shape), np.float32)
        self._first = 0

    def append(self, frames: NDArray[np.float64]) -> None:
        """The next frames, at most ``kept``."""
        if self.stop + len(frames) - self._first > len(self._frames):
            stale = self.stop - self._kept - self._first
            self._frames[: self._kept] = self._frames[stale : stale + self._kept].copy()
            self._first += stale
        at = self.stop - self._first
        self._frames[at : at + len(frames)] = frames
        self.stop += len(frames)

    def read(self, start: int, count: int) -> Singles:
        """So many frames from one on, which must be among the last ``kept``."""
        at = start - self._first
        return self._frames[at : at + count]
