"""Where a scratch is due: a running forecast for whoever looks for damage.

Conventions: times in seconds on the take; events arrive about in time order. ``log_prior_odds`` is
the natural logarithm of the odds that an event lies inside the window (0 is even odds). To use it at
one frame, spread it over the window and compare with the plain rate of damage.

A *track* follows one scratch. Its next time is its last time plus its own lag (tilted scratches have
their own), its window the scatter seen so far, its odds the share of turns it kept its word. Cost is
a few look-ups per event; memory is what happened in the last few turns.

*Chosen by hand* beside a constant: its neighbours were not tried, no figure is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel, kernel
from sidekeep.dsp.turn.chains import find_recurrence

Floats = NDArray[np.float64]

_WINDOW_S = 0.0008
"""Half width for a track just begun; a proved one goes down to a third of it."""
_LEAST_WINDOW_S = 0.00025
WIDEST = 1.5 * _WINDOW_S
"""No window is wider, at the first turn."""
_TILT = 4e-4
"""Largest shift a turn, as a share of the period."""
_NEAR_S = 0.0004
"""What an event may be off by beside the tilt and begin a track: half of ``_WINDOW_S``."""
_WIDER_A_TURN = 0.35
"""A window grows by this share of itself with every turn that is skipped. Chosen by hand."""
_SCATTERS = 3.0
"""Nearly all of a scratch lies within three of its scatters. Chosen by hand, as all weights below."""
_SCATTER_RATE, _LEAST_RATE = 0.2, 0.15
"""How much the newest turn says of scatter and lag; of the lag it says more while few turns are known."""
_DOUBT, _LAXITY = 1.2, 0.3
"""The next return is as likely as the share of turns kept, a little less: the returns but 1.2, of all turns and 0.3."""
_FORGETS = 0.25
"""How fast trust falls with every turn overdue, as a power of e."""
_LEAST_CHANCE, _MOST_CHANCE = 0.02, 0.97
"""Never surer than this, either way."""
_OVERDUE = 0.02
"""Share of a turn after which one that did not come is missed."""
_MISSES = 6
"""Turns a track may miss before it is dropped."""
_HISTORY_S = 300.0
_HISTORY_EVENTS = 1500
"""Guards on time and memory: 160 turns of 33 1/3, and of a worn side the loudest of them."""
_LEARN_EVERY_S = 8.0
_LEARN_AGAIN = 8.0
"""How often the turn is looked for; an eighth as often once it is known."""
_LEAST_EVENTS = 5
"""No turn is looked for in fewer. Chosen by hand."""
_MOST_LOG_CHANCE = -9.0
"""A turn is believed that would come by chance once in some 8,000 times (natural logarithm), and is half as clear as the one
known."""
_SAME_TURN = 1e-3
"""A turn that differs by less is the same one, found again. Chosen by hand."""
_REPLAYED_TURNS = 12.0
"""So much of what was is heard again to begin the tracks of a turn just found. Chosen by hand."""
_HELD_TURNS = 2.2
"""Events are kept for so long, to begin tracks with: two turns and a little."""


LAST_S, LAG_S, CHANNEL, SCATTER_S, HITS, MISSES, OVERDUE, COLUMNS = range(8)
"""Columns of the table of tracks."""


@inner_kernel
def half_width_s(track: Floats, turns: int) -> float:
    """Half the window of a track this many turns on; grows with the turns skipped."""
    settled = max(_LEAST_WINDOW_S, _SCATTERS * track[SCATTER_S])
    early = _WINDOW_S / max(1.0, track[HITS] - 1.0)
    return float(min(WIDEST, max(settled, early)) * (1.0 + _WIDER_A_TURN * (turns - 1)))


@inner_kernel
def log_odds(track: Floats, turns: int) -> float:
    """Two in a row may be chance; every return adds trust, every miss takes some."""
    chance = (track[HITS] - _DOUBT) / (track[HITS] + track[MISSES] + _LAXITY)
    chance *= math.exp(-_FORGETS * (track[OVERDUE] + turns - 1))
    chance = min(_MOST_CHANCE, max(_LEAST_CHANCE, chance))
    return math.log(chance / (1.0 - chance))


@inner_kernel
def follow(tracks: Floats, count: int, time_s: float, channel: int) -> tuple[int, bool]:
    """Give an event to the track it fits best; tracks long overdue are dropped. Tracks left, and whether one took it."""
    best, best_off, best_turns = -1, 0.0, 0
    kept = 0
    for row in range(count):
        passed = (time_s - tracks[row, LAST_S]) / tracks[row, LAG_S]
        # A turn is missed once its window is well behind.
        late = math.floor(passed - _OVERDUE) if passed > _OVERDUE else 0
        if late > tracks[row, OVERDUE]:
            tracks[row, MISSES] += late - tracks[row, OVERDUE]
            tracks[row, OVERDUE] = late
        if tracks[row, OVERDUE] > min(float(_MISSES), tracks[row, HITS]):
            continue
        if kept < row:
            for column in range(COLUMNS):
                tracks[kept, column] = tracks[row, column]
        turns = round(passed)
        if turns >= 1 and int(tracks[kept, CHANNEL]) & channel:
            off = abs(time_s - tracks[kept, LAST_S] - turns * tracks[kept, LAG_S])
            near = off <= WIDEST * (1.0 + _WIDER_A_TURN * (turns - 1))
            if near and off <= half_width_s(tracks[kept], turns) and (best < 0 or off < best_off):
                best, best_off, best_turns = kept, off, turns
        kept += 1
    if best < 0:
        return kept, False
    track = tracks[best]
    step_s = (time_s - track[LAST_S]) / best_turns
    rate = max(_LEAST_RATE, 1.0 / track[HITS])
    track[SCATTER_S] += _SCATTER_RATE * (best_off - track[SCATTER_S])
    track[LAG_S] += rate * (step_s - track[LAG_S])
    track[MISSES] -= min(track[MISSES], max(0.0, track[OVERDUE] - best_turns + 1))
    track[LAST_S], track[CHANNEL], track[OVERDUE] = time_s, channel, 0.0
    track[HITS] += 1.0
    return kept, True


@inner_kernel
def begin_track(
    tracks: Floats, count: int, recent: Floats, held: int, time_s: float, channel: int, period_s: float
) -> int:
    """A new track where an event a turn or two ago had none; how many there are then."""
    for turns in range(1, 3):
        near = turns * (_TILT * period_s) + _NEAR_S
        due = time_s - turns * period_s
        row = np.searchsorted(recent[:held, 0], due - near)
        while row < held and recent[row, 0] <= due + near:
            if int(recent[row, 1]) & channel and recent[row, 2] == 0.0:
                track = tracks[count]
                track[LAST_S], track[LAG_S] = time_s, (time_s - recent[row, 0]) / turns
                track[CHANNEL], track[SCATTER_S] = channel, 0.5 * _LEAST_WINDOW_S
                track[HITS], track[MISSES], track[OVERDUE] = 2.0, turns - 1.0, 0.0
                return count + 1
            row += 1
    return count


@kernel
def follow_events(
    events: Floats, tracks: Floats, count: int, recent: Floats, held: int, period_s: float
) -> int:
    """Give events (time, channel mask), in order, to the tracks; how many tracks there are then.

    ``recent`` (events, 3) holds time, channel and whether a track took it, ``held`` of them in order of time; all that come are
    put in. It and ``tracks`` have a row to spare for each.
    """
    for i in range(events.shape[0]):
        time_s, channel = events[i, 0], int(events[i, 1])
        count, followed = follow(tracks, count, time_s, channel)
        if not followed:
            count = begin_track(tracks, count, recent, held, time_s, channel, period_s)
        row = held
        while row > 0 and recent[row - 1, 0] > time_s:
            recent[row] = recent[row - 1]
            row -= 1
        recent[row, 0], recent[row, 1], recent[row, 2] = time_s, channel, 1.0 if followed else 0.0
        held += 1
    return count


@kernel
def list_due(tracks: Floats, start_s: float, stop_s: float, due: Floats) -> int:
    """Rows (time, half width, log odds, channel mask) of every return in ``[start_s, stop_s)``, track by track; how many.

    ``due`` has ``_MISSES`` rows for each track.
    """
    found = 0
    for row in range(tracks.shape[0]):
        track = tracks[row]
        for turns in range(1, _MISSES + 1):
            time_s = track[LAST_S] + turns * track[LAG_S]
            if start_s <= time_s < stop_s:
                due[found, 0], due[found, 1] = time_s, half_width_s(track, turns)
                due[found, 2], due[found, 3] = log_odds(track, turns), track[CHANNEL]
                found += 1
    return found


@dataclass(slots=True)
class TurnForecast:
    """Feed it accepted events, ask it where the next are due.

    Parameters
    ----------
    period_s : the turn, if known; 0 lets it find the turn from the events themselves.
    """

    period_s: float = 0.0
    log_chance: float = 0.0
    _tracks: Floats = field(default_factory=lambda: np.empty((0, COLUMNS)))
    _count: int = 0
    _recent: Floats = field(default_factory=lambda: np.empty((0, 3)))
    _past: Floats = field(default_factory=lambda: np.empty((0, 3)))
    _learned_s: float = -1e9

    def add(self, events: Floats) -> None:
        """Take accepted events, (events, 3): time in seconds, channel bit mask (1 left 2 right 3 both), size > 0."""
        fresh = _in_order(events)
        self._past = np.concatenate([self._past, fresh])
        if self.period_s > 0.0:
            self._follow(fresh)
        wait_s = _LEARN_EVERY_S * (_LEARN_AGAIN if self.period_s > 0.0 else 1.0)
        if len(self._past) and self._past[-1, 0] - self._learned_s > wait_s:
            self._learn()

    def expected(self, start_s: float, stop_s: float) -> list[tuple[float, float, float]]:
        """(time, half width, log prior odds) of every return due in [start_s, stop_s), by time."""
        return [due[:3] for due in self.expected_walls(start_s, stop_s)]

    def expected_walls(self, start_s: float, stop_s: float) -> list[tuple[float, float, float, int]]:
        """As ``expected``, with the bit mask of the walls (1 left, 2 right) the scratch was last seen on."""
        due: list[tuple[float, float, float, int]] = []
        if self.period_s <= 0.0:
            return due
        rows = np.empty((self._count * _MISSES, 4))
        found = list_due(self._tracks[: self._count], start_s, stop_s, rows)
        due += [(time_s, wide_s, odds, int(walls)) for time_s, wide_s, odds, walls in rows[:found].tolist()]
        due.sort()
        return due

    @property
    def track_count(self) -> int:
        """Scratches being followed."""
        return self._count

    def _follow(self, table: Floats) -> None:
        """Give events, in order, to the tracks; what is older than two turns is forgotten."""
        if not len(table):
            return
        held = self._recent[self._recent[:, 0] >= table[0, 0] - _HELD_TURNS * self.period_s]
        self._recent = np.concatenate([held, np.empty((len(table), 3))])
        self._tracks = np.concatenate([self._tracks[: self._count], np.empty((len(table), COLUMNS))])
        self._count = follow_events(table, self._tracks, self._count, self._recent, len(held), self.period_s)

    def _learn(self) -> None:
        """Look for the turn in what happened lately; the first find replays it to start the tracks."""
        now_s = float(self._past[-1, 0])
        self._learned_s = now_s
        self._past = self._past[self._past[:, 0] > now_s - _HISTORY_S]
        if len(self._past) > 2 * _HISTORY_EVENTS:
            loudest = np.argsort(-self._past[:, 2], kind="stable")[:_HISTORY_EVENTS]
            self._past = _in_order(self._past[loudest])
        if len(self._past) < _LEAST_EVENTS:
            return
        table = _in_order(self._past)
        start_s = float(table[0, 0])
        found = find_recurrence(
            table[:, 0] - start_s, table[:, 2], table[:, 1].astype(np.int64), max(1.0, now_s - start_s)
        )
        if found is None or found.log_chance > min(_MOST_LOG_CHANCE, 0.5 * self.log_chance):
            return
        is_new = abs(found.lag_s - self.period_s) > _SAME_TURN * found.lag_s
        self.period_s, self.log_chance = found.lag_s, found.log_chance
        if is_new:
            self._count = 0
            self._recent = np.empty((0, 3))
            first_s = now_s - _REPLAYED_TURNS * self.period_s
            self._follow(table[table[:, 0] > first_s])


def _in_order(events: Floats) -> Floats:
    """By time, then channel, then size."""
    return events[np.lexsort((events[:, 2], events[:, 1], events[:, 0]))]
