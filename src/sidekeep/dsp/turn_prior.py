"""Where a scratch is due: a running forecast for whoever looks for damage.

Conventions: times in seconds on the take; events arrive about in time order. ``log_prior_odds`` is
the natural logarithm of the odds that an event lies inside the window (0 is even odds). To use it at
one frame, spread it over the window and compare with the plain rate of damage.

A *track* follows one scratch. Its next time is its last time plus its own lag (tilted scratches have
their own), its window the scatter seen so far, its odds the share of turns it kept its word. Cost is
a few look-ups per event; memory is what happened in the last few turns.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Iterable
from dataclasses import dataclass, field
from math import exp, log

import numpy as np

from sidekeep.dsp.turn_chains import find_recurrence

_WINDOW_S = 0.0008
"""Half width for a track just begun; a proved one goes down to a third of it."""
_LEAST_WINDOW_S = 0.00025
_TILT = 4e-4
"""Largest shift a turn, as a share of the period."""
_MISSES = 4
"""Turns a track may miss before it is dropped."""
_HISTORY_S = 300.0
_HISTORY_EVENTS = 1500
_LEARN_EVERY_S = 8.0
"""How often the turn is looked for; an eighth as often once it is known."""


@dataclass(slots=True)
class _Track:
    last_s: float
    lag_s: float
    channel: int
    scatter_s: float
    hits: int = 2
    misses: int = 0
    overdue: int = 0

    def half_width_s(self, turns: int) -> float:
        """Grows with the turns skipped."""
        settled = max(_LEAST_WINDOW_S, 3.0 * self.scatter_s)
        early = _WINDOW_S / max(1, self.hits - 1)
        return min(1.5 * _WINDOW_S, max(settled, early)) * (1.0 + 0.35 * (turns - 1))

    def log_odds(self, turns: int) -> float:
        """Two in a row may be chance; every return adds trust, every miss takes some."""
        chance = (self.hits - 1.2) / (self.hits + self.misses + 0.3)
        chance *= exp(-0.25 * (self.overdue + turns - 1))
        chance = min(0.97, max(0.02, chance))
        return log(chance / (1.0 - chance))


@dataclass(slots=True)
class TurnPrior:
    """Feed it accepted events, ask it where the next are due.

    Parameters
    ----------
    period_s : the turn, if known; 0 lets it find the turn from the events themselves.
    """

    period_s: float = 0.0
    log_chance: float = 0.0
    _tracks: list[_Track] = field(default_factory=list)
    _recent: list[tuple[float, int, float, bool]] = field(default_factory=list)
    _past: list[tuple[float, int, float]] = field(default_factory=list)
    _learned_s: float = -1e9

    def add(self, events: Iterable[tuple[float, int, float]]) -> None:
        """Take accepted events: (time in seconds, channel bit mask 1 left 2 right 3 both, size > 0)."""
        for time_s, channel, size in sorted(events):
            self._past.append((time_s, channel, size))
            if self.period_s > 0.0:
                self._follow(time_s, channel, size)
        wait_s = _LEARN_EVERY_S * (8.0 if self.period_s > 0.0 else 1.0)
        if self._past and self._past[-1][0] - self._learned_s > wait_s:
            self._learn()

    def expected(self, start_s: float, stop_s: float) -> list[tuple[float, float, float]]:
        """(time, half width, log prior odds) of every return due in [start_s, stop_s), by time."""
        return [due[:3] for due in self.expected_walls(start_s, stop_s)]

    def expected_walls(self, start_s: float, stop_s: float) -> list[tuple[float, float, float, int]]:
        """As ``expected``, with the bit mask of the walls (1 left, 2 right) the scratch was last seen on."""
        due: list[tuple[float, float, float, int]] = []
        if self.period_s <= 0.0:
            return due
        for track in self._tracks:
            for turns in range(1, _MISSES + 1):
                time_s = track.last_s + turns * track.lag_s
                if start_s <= time_s < stop_s:
                    due.append((time_s, track.half_width_s(turns), track.log_odds(turns), track.channel))
        due.sort()
        return due

    @property
    def track_count(self) -> int:
        """Scratches being followed."""
        return len(self._tracks)

    def _follow(self, time_s: float, channel: int, size: float) -> None:
        best: tuple[float, _Track, int] | None = None
        alive: list[_Track] = []
        for track in self._tracks:
            passed = (time_s - track.last_s) / track.lag_s
            # A turn is missed once its window is well behind.
            late = int(passed - 0.02)
            if late > track.overdue:
                track.misses += late - track.overdue
                track.overdue = late
            if track.overdue > min(_MISSES, track.hits):
                continue
            alive.append(track)
            turns = round(passed)
            if turns < 1 or not track.channel & channel:
                continue
            off = abs(time_s - track.last_s - turns * track.lag_s)
            if off <= track.half_width_s(turns) and (best is None or off < best[0]):
                best = (off, track, turns)
        self._tracks = alive
        if best is not None:
            off, track, turns = best
            step_s = (time_s - track.last_s) / turns
            rate = max(0.15, 1.0 / track.hits)
            track.scatter_s += 0.2 * (off - track.scatter_s)
            track.lag_s += rate * (step_s - track.lag_s)
            track.misses -= min(track.misses, max(0, track.overdue - turns + 1))
            track.last_s, track.channel, track.hits, track.overdue = time_s, channel, track.hits + 1, 0
        else:
            self._begin(time_s, channel)
        self._remember(time_s, channel, size, best is not None)

    def _begin(self, time_s: float, channel: int) -> None:
        """A new track where an event a turn or two ago had none."""
        for turns in (1, 2):
            near = turns * (_TILT * self.period_s) + 0.0004
            due = time_s - turns * self.period_s
            low = bisect_left(self._recent, (due - near, 0, 0.0, False))
            high = bisect_right(self._recent, (due + near, 4, 0.0, False))
            for old_s, old_channel, _, followed in self._recent[low:high]:
                if old_channel & channel and not followed:
                    lag_s = (time_s - old_s) / turns
                    self._tracks.append(_Track(time_s, lag_s, channel, 0.5 * _LEAST_WINDOW_S, 2, turns - 1))
                    return

    def _remember(self, time_s: float, channel: int, size: float, followed: bool) -> None:
        insort(self._recent, (time_s, channel, size, followed))
        first = bisect_left(self._recent, (time_s - 2.2 * self.period_s, 0, 0.0, False))
        if first > 64:
            del self._recent[:first]

    def _learn(self) -> None:
        """Look for the turn in what happened lately; the first find replays it to start the tracks."""
        now_s = self._past[-1][0]
        self._learned_s = now_s
        self._past = [event for event in self._past if event[0] > now_s - _HISTORY_S]
        if len(self._past) > 2 * _HISTORY_EVENTS:
            loudest = sorted(self._past, key=lambda event: -event[2])[:_HISTORY_EVENTS]
            self._past = sorted(loudest)
        if len(self._past) < 5:
            return
        table = np.array(sorted(self._past))
        start_s = float(table[0, 0])
        found = find_recurrence(
            table[:, 0] - start_s, table[:, 2], table[:, 1].astype(np.int64), max(1.0, now_s - start_s)
        )
        if found is None or found.log_chance > min(-9.0, 0.5 * self.log_chance):
            return
        is_new = abs(found.lag_s - self.period_s) > 1e-3 * found.lag_s
        self.period_s, self.log_chance = found.lag_s, found.log_chance
        if is_new:
            self._tracks.clear()
            self._recent.clear()
            for time_s, channel, size in sorted(self._past):
                if time_s > now_s - 12.0 * self.period_s:
                    self._follow(time_s, channel, size)
