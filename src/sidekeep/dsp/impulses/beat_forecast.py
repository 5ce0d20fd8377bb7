"""Where the beat of the music is due: clicks of a drum machine keep its time, damage does not.

Conventions: times in seconds on the take; a grid is a period and the time of one of its lines. A grid is believed when
far more of the latest events lie on its lines than chance would put there (binomial tail, Chernoff's bound, less
the logarithm of the number of grids tried). What returns once per turn of the disc lies on grids too, those whose period
divides a turn or a few: events that come back after a turn must fill more places of it than a few scratches would.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_MEMORY_S = 20.0
"""Ten bars: long enough for a slow beat to come ten times, short enough for music to change its own."""
_EVENTS = 160
"""The loudest of the memory are looked at."""
_APART_S = 0.01
"""An event this near behind another belongs to its stroke."""
_LEAST_EVENTS = 10
"""Fewer fall on some grid by chance: what a search among 2,000 grids for each of them is worth is then more than they show."""
_SHORTEST_S, _LONGEST_S = 0.06, 0.8
"""From a sixteenth at 250 beats a minute to a beat at 75: a longer one is found by its halves."""
_CELL_S = 0.001
"""Of the table of distances; two neighbours together are about as wide as a line."""
_TRIED = 12
"""Distances between events tried as periods."""
_NEAR_S = 0.0018
"""Half width of a line: the attack, and what the sway of the speed does in some seconds."""
_SURE_NATS = 14.0
"""One grid in a million by chance: a side asks some hundred times."""
_GRIDS_A_STROKE = 2000.0
"""Grids that the events could have been tried on, for each of them: what finding one by search is worth less."""
_LEAST_SHARE = 0.15
"""Of the events on the grid: below that it tells nothing of the others."""
_TURNS_S = (60.0 / 80.0, 60.0 / 78.26, 60.0 / 45.0, 1.8)
"""Of the speeds at which records turn, 80, 78.26, 45 and 33 1/3 a minute."""
_TURN_ROOM = 0.007
"""How far off its nominal speed a disc may turn."""
_TURN_SHARE = 0.3
"""Share of the events that must have another one turn later to be suspected of coming from the disc."""
_LINES_A_TURN = 6
"""Places in a turn that are more than a few scratches."""
_FULL_LINES = 3
"""Lines that fill a turn evenly and are no scratches."""
_ON_SHARE = 0.8, 0.98
"""Share of the clicks of music that lie on the lines of its beat: at least, and at most."""
_MOST_NATS = 8.0
"""The most that all odds are doubted by, on its lines some four more. It is no proof: what is surer than that is mended."""

Stroke = tuple[float, float, float]
"""What looked like damage: time in seconds, size in scales, log odds without the beat."""


@dataclass(frozen=True, kw_only=True)
class Beat:
    """A grid, and nats to add to the log odds of damage on its lines and off them.

    Off the lines too: where much of what looked like damage kept the beat, the rest is to be doubted as well.
    """

    period_s: float
    line_s: float
    on_nats: float
    off_nats: float

    def bonus(self, times_s: Floats) -> Floats:
        """Nats for sorted times. Close behind a click on a line counts as on it: one stroke clicks more than once."""
        on = _on_lines(times_s, self.period_s, self.line_s)
        last_s = np.maximum.accumulate(np.where(on, times_s, -np.inf))
        return np.where(times_s - last_s <= _APART_S, self.on_nats, self.off_nats)


class BeatForecast:
    """Feed it what looks like damage, ask it for the beat that it keeps, if it keeps one."""

    def __init__(self) -> None:
        self._strokes: list[Stroke] = []
        self.beat: Beat | None = None

    def add(self, strokes: list[Stroke]) -> None:
        """Take what was taken for damage or would have been but for the beat."""
        if not strokes:
            return
        now_s = max(stroke[0] for stroke in strokes)
        self._strokes = [stroke for stroke in self._strokes if stroke[0] > now_s - _MEMORY_S]
        self._strokes += strokes
        self.beat = find_beat(self._strokes)


def find_beat(strokes: list[Stroke]) -> Beat | None:
    """The grid that most of the loudest strokes keep, or None."""
    table = np.array(sorted(sorted(strokes, key=lambda stroke: -stroke[1])[:_EVENTS])).reshape(-1, 3)
    table = table[np.diff(table[:, 0], prepend=-np.inf) > _APART_S]
    strokes_s, odds = table[:, 0], table[:, 2]
    count = len(strokes_s)
    if count < _LEAST_EVENTS:
        return None
    best, best_worth = None, _SURE_NATS
    for guess_s in _periods(strokes_s):
        period_s, line_s, on = _fit_grid(strokes_s, guess_s)
        chance = min(0.9, 2.0 * _NEAR_S / period_s)
        hits = int(on.sum()) / count
        share = (hits - chance) / (1.0 - chance)
        if share < _LEAST_SHARE or _is_the_turn(strokes_s[on], strokes_s, period_s):
            continue
        worth = count * _divergence(hits, chance) - math.log(count * _GRIDS_A_STROKE)
        if worth > best_worth:
            best_worth = worth
            doubt = min(_MOST_NATS, _doubt(odds, share))
            kept = min(_ON_SHARE[1], max(_ON_SHARE[0], hits))
            best = Beat(
                period_s=period_s,
                line_s=line_s,
                on_nats=-doubt - math.log(kept / chance),
                off_nats=min(0.0, math.log((1.0 - chance) / (1.0 - kept)) - doubt),
            )
    return best


def _doubt(odds: Floats, share: float) -> float:
    """Nats to take from log odds so that on average a share of the events is no damage, as the beat says."""
    low, high = 0.0, 20.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        if float(np.mean(1.0 / (1.0 + np.exp(np.clip(odds - middle, -30.0, 30.0))))) < share:
            low = middle
        else:
            high = middle
    return low


def _periods(strokes_s: Floats) -> list[float]:
    """The commonest distances of events, with their halves, thirds and quarters."""
    apart = np.subtract.outer(strokes_s, strokes_s)
    apart = apart[(apart > 0.0) & (apart < _LONGEST_S)]
    cells = np.bincount((apart / _CELL_S).astype(np.int64), minlength=int(_LONGEST_S / _CELL_S) + 2)
    pairs = cells[:-1] + cells[1:]
    found: list[float] = []
    for cell in np.argsort(-pairs, kind="stable")[:_TRIED]:
        if pairs[cell] < 3:
            break
        near = apart[(apart >= cell * _CELL_S) & (apart < (cell + 2) * _CELL_S)]
        distance = float(np.median(near))
        for parts in (1, 2, 3, 4):
            if distance / parts >= _SHORTEST_S and all(
                abs(distance / parts - other) > 0.0002 for other in found
            ):
                found.append(distance / parts)
    return found


def _fit_grid(strokes_s: Floats, period_s: float) -> tuple[float, float, NDArray[np.bool_]]:
    """The period and line that hold the most events near a first guess, and which they hold.

    The guess is off by up to some 10 us a period; the memory is worked through from its middle outwards, each round
    with a longer reach, so that lines are not miscounted.
    """
    middle_s = float(strokes_s[len(strokes_s) // 2])
    line_s = middle_s + _densest(
        (strokes_s - middle_s)[np.abs(strokes_s - middle_s) < 20.0 * period_s], period_s
    )
    for reach_s in (20.0 * period_s, 60.0 * period_s, 2.0 * _MEMORY_S):
        lines = np.round((strokes_s - line_s) / period_s)
        on = _on_lines(strokes_s, period_s, line_s) & (np.abs(strokes_s - middle_s) < reach_s)
        if on.sum() < 3 or np.ptp(lines[on]) == 0:
            break
        # the least-squares line through them
        there, times_s = lines[on], strokes_s[on]
        off = there - there.mean()
        period_s = float(off @ times_s) / float(off @ off)
        line_s = float(times_s.mean()) - period_s * float(there.mean())
    return period_s, line_s, _on_lines(strokes_s, period_s, line_s)


def _on_lines(times_s: Floats, period_s: float, line_s: float) -> NDArray[np.bool_]:
    """Which times lie on a line of the grid."""
    off = times_s - line_s - period_s * np.round((times_s - line_s) / period_s)
    return np.asarray(np.abs(off) <= _NEAR_S)


def _fullest(sorted_s: Floats, begins: int) -> Floats:
    """Of sorted values, those that the fullest window two lines' half widths long holds; it begins at one of the first."""
    first_s = sorted_s[:begins]
    counts = np.searchsorted(sorted_s, first_s + 2.0 * _NEAR_S, side="right") - np.arange(begins)
    first = int(np.argmax(counts))
    return sorted_s[first : first + counts[first]]


def _densest(times_s: Floats, period_s: float) -> float:
    """The phase, in seconds, round which most of the times lie."""
    phases = np.sort(np.mod(times_s, period_s))
    return float(np.median(_fullest(np.concatenate([phases, phases + period_s]), len(phases))))


def _is_the_turn(on_s: Floats, strokes_s: Floats, period_s: float) -> bool:
    """Whether the events on a grid come back after a turn, on the grid or off it, and lie at a few places of a turn.

    Three and more places at even distances all round the turn are no scratches.
    """
    apart = (strokes_s[np.newaxis, :] - on_s[:, np.newaxis]).ravel()
    for turn_s in _TURNS_S:
        near = np.sort(apart[np.abs(apart - turn_s) <= _TURN_ROOM * turn_s])
        if not len(near):
            continue
        returns = _fullest(near, len(near))
        if len(returns) < _TURN_SHARE * len(on_s):
            continue
        found_s = float(np.median(returns))
        phases = np.sort(np.mod(on_s - on_s[0] + _NEAR_S, found_s))
        bounds = np.flatnonzero(np.diff(phases) > 2.0 * _NEAR_S) + 1
        sizes = np.diff(np.concatenate([[0], bounds, [len(phases)]]))
        lines = round(found_s / period_s)
        filled = np.count_nonzero(sizes >= 0.4 * len(on_s) / max(1, lines))
        full = lines >= _FULL_LINES and abs(lines * period_s - found_s) <= 2.0 * _NEAR_S and filled >= lines
        if np.count_nonzero(sizes > 1) < _LINES_A_TURN and not full:
            return True
    return False


def _divergence(share: float, chance: float) -> float:
    """Nats a trial by which a share of hits is unlike its chance (Kullback and Leibler); 0 below the chance."""
    if share <= chance:
        return 0.0
    rest = (1.0 - share) * math.log((1.0 - share) / (1.0 - chance)) if share < 1.0 else 0.0
    return share * math.log(share / chance) + rest
