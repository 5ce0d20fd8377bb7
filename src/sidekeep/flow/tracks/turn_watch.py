"""Listens to a take for moments that are the turn before once more, and keeps those; ``flow.tracks.turns_again`` judges them.

Conventions: frames at the take's rate where said, else at the working rate of the features. A *moment* is twelve hops of the
features, a little over a quarter of a second. Memory is that of the last two seconds and of what was found alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.locked_groove import TURN_PERIODS_S
from sidekeep.dsp.tracks.same_turn import Likeness, find_delay, likeness

_HOPS = 12
"""Of a moment: three and more to a turn of any speed, and long enough to tell a repeat from chance."""
_WIDTH = 0.03
"""How far off its speed a player may be (as in ``locked_groove``)."""
_CLEAR = 0.22
"""Agreement of phase from which a moment is looked at: chance stays under 0.15, a turn heard twice over 0.3 (pressed sides)."""
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
        self._reach = (int(max(TURN_PERIODS_S) * (1.0 + _WIDTH) * work_rate_hz) // 4 + 2) * 4
        self._work, self._low = np.zeros((0, 2), np.float32), np.zeros(0, np.float32)
        self._first = 0
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
        self._work = np.concatenate([self._work, work.astype(np.float32)])
        self._low = np.concatenate([self._low, low[:, 0].astype(np.float32)])
        while (self._next + 1) * self._size <= self._first + min(len(self._work), 4 * len(self._low)):
            self._look(self._next)
            self._next += 1
        stale = max(0, (self._next - 1) * self._size - self._reach - _REFINE_FRAMES - self._first) // 4 * 4
        self._work, self._low = self._work[stale:], self._low[stale // 4 :]
        self._first += stale

    def _look(self, number: int) -> None:
        before = self.moments[-1] if self.moments and self.moments[-1].number == number - 1 else None
        delay, clear = self._screened(number)
        moment = self._compared(number, delay, is_edge=False) if clear > _CLEAR else None
        if moment is not None and np.median(moment.cells.alike) > ALIKE:
            if before is None and number:
                self._keep_edge(number - 1, moment)
            self.moments.append(moment)
        elif before is not None and not before.is_edge:
            self._keep_edge(number, before)

    def _keep_edge(self, number: int, beside: Moment) -> None:
        """The moment at either end of a stretch that is alike, at the delay of the stretch: part of it may be, too."""
        edge = self._compared(number, round(beside.delay_frames / self._scale), is_edge=True)
        if edge is not None and (edge.cells.alike > ALIKE).any():
            self.moments.append(edge)

    def _screened(self, number: int) -> tuple[int, float]:
        """The likeliest delay at the turns of records, and how clear it is."""
        start, length = (number * self._size - self._first) // 4, self._size // 4
        now = self._low[start : start + length]
        best, clear = 0, 0.0
        if float(np.mean(now**2)) < _SILENCE:
            return best, clear
        rate_hz = self.work_rate_hz / 4.0
        for period_s in TURN_PERIODS_S:
            shortest = int(period_s * (1.0 - _WIDTH) * rate_hz)
            longest = int(period_s * (1.0 + _WIDTH) * rate_hz) + 1
            if start >= longest:
                past = self._low[start - longest : start - shortest + length]
                place, found = find_delay(now, past, rate_hz)
                if found > clear:
                    best, clear = 4 * (longest - place), found
        return best, clear

    def _compared(self, number: int, delay: int, *, is_edge: bool) -> Moment | None:
        start = number * self._size - self._first
        reach = _EDGE_FRAMES if is_edge else _REFINE_FRAMES
        first = start - delay - reach
        if first < 0:
            return None
        past = self._work[first : first + self._size + 2 * reach]
        cells = likeness(self._work[start : start + self._size], past, self.piece, self.work_rate_hz)
        return Moment(number, (delay + cells.delay) * self._scale, cells, is_edge)
