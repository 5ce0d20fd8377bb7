"""Where a scratch is due: a running forecast for whoever looks for damage.

Conventions: times in seconds on the take; events arrive about in time order. ``log_prior_odds`` is
the natural logarithm of the odds that an event lies inside the window (0 is even odds). To use it at
one frame, spread it over the window and compare with the plain rate of damage.

A *track* follows one scratch. Its next time is its last time plus its own lag (tilted scratches have
their own), its window the scatter seen so far, its odds the share of turns it kept its word. Cost is
a few look-ups per event; memory is what happened in the last few turns.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right, insort
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel, kernel
from sidekeep.dsp.turn.chains import find_recurrence

Floats = NDArray[np.float64]

_WINDOW_S = 0.0008
"""Half width for a track just begun; a proved one goes down to a third of it."""
_LEAST_WINDOW_S = 0.00025
_TILT = 4e-4
"""Largest shift a turn, as a share of the period."""
_MISSES = 6
"""Turns a track may miss before it is dropped."""
_HISTORY_S = 300.0
_HISTORY_EVENTS = 1500
_LEARN_EVERY_S = 8.0
"""How often the turn is looked for; an eighth as often once it is known."""


LAST_S, LAG_S, CHANNEL, SCATTER_S, HITS, MISSES, OVERDUE, COLUMNS = range(8)
"""Columns of the table of tracks."""


@inner_kernel
def half_width_s(track: Floats, turns: int) -> float:
    """Half the window of a track this many turns on; grows with the turns skipped."""
    settled = max(_LEAST_WINDOW_S, 3.0 * track[SCATTER_S])
    early = _WINDOW_S / max(1.0, track[HITS] - 1.0)
    return float(min(1.5 * _WINDOW_S, max(settled, early)) * (1.0 + 0.35 * (turns - 1)))


@kernel
def log_odds(track: Floats, turns: int) -> float:
    """Two in a row may be chance; every return adds trust, every miss takes some."""
    chance = (track[HITS] - 1.2) / (track[HITS] + track[MISSES] + 0.3)
    chance *= math.exp(-0.25 * (track[OVERDUE] + turns - 1))
    chance = min(0.97, max(0.02, chance))
    return math.log(chance / (1.0 - chance))


@kernel
def follow(tracks: Floats, count: int, time_s: float, channel: int) -> tuple[int, bool]:
    """Give an event to the track it fits best; tracks long overdue are dropped. Tracks left, and whether one took it."""
    best, best_off, best_turns = -1, 0.0, 0
    kept = 0
    for row in range(count):
        track = tracks[row]
        passed = (time_s - track[LAST_S]) / track[LAG_S]
        # A turn is missed once its window is well behind.
        late = math.floor(passed - 0.02) if passed > 0.02 else 0
        if late > track[OVERDUE]:
            track[MISSES] += late - track[OVERDUE]
            track[OVERDUE] = late
        if track[OVERDUE] > min(float(_MISSES), track[HITS]):
            continue
        if kept < row:
            tracks[kept] = track
        turns = round(passed)
        if turns >= 1 and int(track[CHANNEL]) & channel:
            off = abs(time_s - track[LAST_S] - turns * track[LAG_S])
            if off <= half_width_s(track, turns) and (best < 0 or off < best_off):
                best, best_off, best_turns = kept, off, turns
        kept += 1
    if best < 0:
        return kept, False
    track = tracks[best]
    step_s = (time_s - track[LAST_S]) / best_turns
    rate = max(0.15, 1.0 / track[HITS])
    track[SCATTER_S] += 0.2 * (best_off - track[SCATTER_S])
    track[LAG_S] += rate * (step_s - track[LAG_S])
    track[MISSES] -= min(track[MISSES], max(0.0, track[OVERDUE] - best_turns + 1))
    track[LAST_S], track[CHANNEL], track[OVERDUE] = time_s, channel, 0.0
    track[HITS] += 1.0
    return kept, True


@dataclass(slots=True)
class TurnForecast:
    """Feed it accepted events, ask it where the next are due.

    Parameters
    ----------
    period_s : the turn, if known; 0 lets it find the turn from the events themselves.
    """

    period_s: float = 0.0
    log_chance: float = 0.0
    _tracks: Floats = field(default_factory=lambda: np.empty((64, COLUMNS)))
    _count: int = 0
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
        for track in self._tracks[: self._count]:
            for turns in range(1, _MISSES + 1):
                time_s = float(track[LAST_S] + turns * track[LAG_S])
                if start_s <= time_s < stop_s:
                    due.append(
                        (time_s, half_width_s(track, turns), log_odds(track, turns), int(track[CHANNEL]))
                    )
        due.sort()
        return due

    @property
    def track_count(self) -> int:
        """Scratches being followed."""
        return self._count

    def _follow(self, time_s: float, channel: int, size: float) -> None:
        self._count, followed = follow(self._tracks, self._count, time_s, channel)
        if not followed:
            self._begin(time_s, channel)
        self._remember(time_s, channel, size, followed)

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
                    if self._count == len(self._tracks):
                        self._tracks = np.concatenate([self._tracks, np.empty_like(self._tracks)])
                    new = (time_s, lag_s, channel, 0.5 * _LEAST_WINDOW_S, 2.0, turns - 1.0, 0.0)
                    self._tracks[self._count] = new
                    self._count += 1
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
            self._count = 0
            self._recent.clear()
            for time_s, channel, size in sorted(self._past):
                if time_s > now_s - 12.0 * self.period_s:
                    self._follow(time_s, channel, size)
