"""Repairs that keep the beat of the music: a drum machine or short samples on a grid were taken for damage.

Conventions: times in seconds on the take; a grid is a period and the time of one of its lines. A grid is believed when
far more of the repairs lie on its lines than chance would put there (binomial tail, Chernoff's bound, less
the logarithm of the number of grids tried). What returns once per turn of the disc lies on grids too, those whose period
divides a turn or a few: repairs that come back after a turn must fill more places of it than a few scratches would.

Each sound of a machine has a wall and a length of its own. So short and long repairs on either wall are asked apart: forty
pulses among a thousand specks of dust are not heard, forty among the sixty that are as long as they are. Repairs that were left
for doubt are strokes like those that were made.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.safety import DOUBTFUL_SHARE, beyond_doubt_share
from sidekeep.dsp.kernel import inner_kernel, kernel
from sidekeep.units import LP_RPM, SHELLAC_RPM, SINGLE_RPM

Floats = NDArray[np.float64]
Grid = tuple[float, float]
"""Period and one line, both in seconds."""

LONG_S = 0.00045
"""A repair from this long on is a long one. On two arcade sides 0.3, 0.45 and 0.7 ms left harm of -1, -5 and 0 dB of 10."""
BESIDE_DB = -2.0
"""Beside a beat that takes out most, a repair is quiet if it takes out less than this over what is left there. Other sounds of
the machine are as loud as those on the beat. With -4 ten seconds of arcade music, mended gently, came out 1.6 dB worse by one
cut; with 0 and 2 as much is gained, and twice and three times as many right ones are lost (nine sides of one piece; 0.7 % with
-2)."""
LARGEST = 80
"""Repairs of a wall that are asked apart from the rest because they took out most."""
SMALLEST = 0.1
"""Of the repairs of one kind on the lines of a grid, this share is taken to be there by chance: what else lies on a line of that
wall, and is as large as the others, is the same sound cut a little shorter."""
REMEMBERED = 7
"""Stretches for which a period is tried after it was found: as many as the repairs in hand are of."""
EVENTS = 160
"""The largest of a kind are looked at."""
APART_S = 0.01
"""A repair this near behind another belongs to its stroke."""
LEAST_EVENTS = 10
"""Fewer fall on some grid by chance: what a search among 2,000 grids for each of them is worth is then more than they show."""
SHORTEST_S, LONGEST_S = 0.06, 0.8
"""From a sixteenth at 250 beats a minute to a beat at 75: a longer one is found by its halves."""
CELL_S = 0.001
"""Of the table of distances; two neighbours together are about as wide as a line."""
TRIED, PARTS = 12, 4
"""Distances between repairs tried as periods, with their halves, thirds and quarters."""
LEAST_PAIRS, OVER_CHANCE = 4, 3.0
"""A distance is tried if so many pairs of repairs have it, and so many standard deviations more than chance gives: one distance
in a thousand does by chance."""
NEAR_S = 0.0018
"""Half width of a line: the attack, and what the sway of the speed does in some seconds."""
SWAY_S, SWAY_STROKES = 3.0, 3
"""So near in time, and so many at least, are the strokes that tell how late a line is there. One cut of 1.8 ms lay 0.1 ms beside
its line, between two on it, and made ten seconds of arcade music 1.4 dB worse. 5 s and 3, or 2 s and 2, do the same."""
SURE_NATS = 14.0
"""One grid in a million by chance: a side asks some hundred times."""
GRIDS_A_STROKE = 2000.0
"""Grids that the repairs could have been tried on, for each of them: what finding one by search is worth less."""
LEAST_SHARE = 0.15
"""Of the repairs on the grid: below that it tells nothing of the others."""
MOST_GRIDS, MOST_LINES = 3, 4
"""Of one kind: grids that are looked for, and lines in a period once that is known."""
LINES_A_STROKE, LINE_NATS, LINE_EVENTS = 8.0, 8.0, 4
"""The same for a line when the period is known: only where it lies is searched for, so less is asked of it."""
TURNS_S = (60.0 / SHELLAC_RPM[4], 60.0 / SHELLAC_RPM[3], 60.0 / SINGLE_RPM, 60.0 / LP_RPM)
"""Of the speeds at which records turn, 80, 78.26, 45 and 33 1/3 a minute."""
TURN_ROOM = 0.007
"""How far off its nominal speed a disc may turn."""
TURN_SHARE = 0.3
"""Share of the repairs that must have another one turn later to be suspected of coming from the disc."""
LINES_A_TURN = 6
"""Places in a turn that are more than a few scratches."""
FULL_LINES = 3
"""Lines that fill a turn evenly and are no scratches."""


class BeatWatch:
    """Asked stretch by stretch which repairs keep a beat; the period it believed last is tried on the next few stretches."""

    def __init__(self) -> None:
        self._period_s, self._stretches_left = 0.0, 0

    def on_the_beat(
        self, times_s: Floats, lengths_s: Floats, walls: NDArray[np.int64], sizes: Floats
    ) -> NDArray[np.bool_]:
        """Which of the repairs in and round a stretch, in order of time, keep a beat that those of their kind keep.

        ``walls``: the channel of which most was taken out of each; ``sizes``: how much, in any unit.
        """
        kept = np.zeros(len(times_s), dtype=np.bool_)
        kinds, short = _kinds(lengths_s, walls, sizes)
        longest_s = 0.0
        for rows in kinds:
            for _ in range(MOST_GRIDS):
                left = rows[~kept[rows]]
                found = find_grid(times_s[left], sizes[left])
                if found is None:
                    break
                longest_s = max(longest_s, found[0])
                on = left[on_swaying_lines(times_s[left], times_s[left], found)]
                beside = np.flatnonzero((walls == walls[on[0]]) & (sizes >= np.quantile(sizes[on], SMALLEST)))
                kept[on] = True
                kept[beside[on_swaying_lines(times_s[beside], times_s[left], found)]] = True
        self._stretches_left -= 1
        if longest_s:
            self._period_s, self._stretches_left = longest_s, REMEMBERED
        if self._stretches_left <= 0:
            return kept
        for rows in kinds + short:
            for _ in range(MOST_LINES):
                left = rows[~kept[rows]]
                line = fullest_line(times_s[left], self._period_s)
                if line is None:
                    break
                kept[left[line]] = True
        return kept


def _kinds(
    lengths_s: Floats, walls: NDArray[np.int64], sizes: Floats
) -> tuple[list[NDArray[np.int64]], list[NDArray[np.int64]]]:
    """Rows of the repairs that may be of one sound: the long ones of a wall, and the largest; and the short ones apart, which are
    not searched for a period of their own, for among them are specks of dust by the hundred."""
    kinds, short = [], []
    for wall in (0, 1):
        rows = np.flatnonzero(walls == wall)
        kinds.append(rows[lengths_s[rows] >= LONG_S])
        kinds.append(np.sort(rows[np.argsort(-sizes[rows], kind="stable")[:LARGEST]]))
        short.append(rows[lengths_s[rows] < LONG_S])
    return kinds, short


def doubtful_beside(
    on_beat: NDArray[np.bool_], lengths_s: Floats, energy: Floats, left: Floats
) -> NDArray[np.bool_]:
    """Of repairs near each other, those that are left for doubt because what is taken out there keeps a beat for the most part.

    ``energy`` was taken out of each, ``left`` is what is left there. Other sounds of the same machine strike too seldom for a
    line of their own. So the rest is held to what ``safety`` asks of doubtful repairs: quiet ones may take out a share of what
    the others do, long ones together, the smallest first; short ones each by itself, for among them is the dust. What is louder
    than the music is damage, and tells nothing of the others.
    """
    quiet = ~on_beat & (energy < 10.0 ** (0.1 * BESIDE_DB) * left)
    if not on_beat.any() or energy[on_beat].sum() < energy[quiet].sum():
        return np.zeros(len(on_beat), dtype=np.bool_)
    long = quiet & (lengths_s >= LONG_S)
    doubtful = beyond_doubt_share(energy, long, float(energy[~on_beat & ~long].sum()))
    others = float(energy[~on_beat & ~doubtful].sum())
    for row in np.argsort(-energy, kind="stable").tolist():
        if quiet[row] and not long[row] and energy[row] > DOUBTFUL_SHARE * (others - energy[row]):
            doubtful[row] = True
            others -= float(energy[row])
    return doubtful


def find_grid(times_s: Floats, sizes: Floats) -> Grid | None:
    """The grid that most of the largest repairs keep, or None."""
    if len(times_s) < LEAST_EVENTS:
        return None
    largest = np.sort(np.argsort(-sizes, kind="stable")[:EVENTS])
    strokes_s = times_s[largest]
    strokes_s = np.ascontiguousarray(strokes_s[np.diff(strokes_s, prepend=-np.inf) > APART_S])
    count = len(strokes_s)
    if count < LEAST_EVENTS:
        return None
    grids = np.empty((TRIED * PARTS, 3))
    best, best_worth = None, SURE_NATS
    for period_s, line_s, worth in grids[: try_grids(strokes_s, grids)].tolist():
        if worth <= best_worth:
            continue
        on = on_lines(strokes_s, (period_s, line_s))
        if not _is_the_turn(strokes_s[on], strokes_s, period_s):
            best, best_worth = (period_s, line_s), worth
    return best


def on_lines(times_s: Floats, grid: Grid) -> NDArray[np.bool_]:
    """Which times lie on a line of the grid."""
    return np.asarray(np.abs(_off_lines(times_s, grid)) <= NEAR_S)


def on_swaying_lines(times_s: Floats, strokes_s: Floats, grid: Grid) -> NDArray[np.bool_]:
    """Which times lie on a line of the grid, or where the strokes near in time that lie on lines put it; both are in order.

    A grid is even, and the disc sways: for some turns the strokes may all come a little late.
    """
    on = strokes_s[on_lines(strokes_s, grid)]
    late = np.concatenate([[0.0], np.cumsum(_off_lines(on, grid))])
    begin, end = np.searchsorted(on, times_s - SWAY_S), np.searchsorted(on, times_s + SWAY_S)
    count = end - begin
    usual = np.where(count >= SWAY_STROKES, (late[end] - late[begin]) / np.maximum(count, 1), 0.0)
    off = _off_lines(times_s, grid)
    return np.asarray((np.abs(off) <= NEAR_S) | (np.abs(off - usual) <= NEAR_S))


def _off_lines(times_s: Floats, grid: Grid) -> Floats:
    """How much later each time is than the line nearest to it."""
    period_s, line_s = grid
    return np.asarray(times_s - line_s - period_s * np.round((times_s - line_s) / period_s))


def fullest_line(times_s: Floats, period_s: float) -> NDArray[np.bool_] | None:
    """The repairs on the fullest line of a known period, if it holds more of them than chance would put there."""
    if len(times_s) < LINE_EVENTS:
        return None
    middle_s = 0.5 * float(times_s[0] + times_s[-1])
    phases_s = np.sort(np.mod(times_s - middle_s, period_s))
    phase_s, _ = fullest(np.concatenate([phases_s, phases_s + period_s]), len(phases_s))
    on = on_lines(times_s, (period_s, middle_s + phase_s))
    nats = len(on) * divergence(float(on.mean()), min(0.9, 2.0 * NEAR_S / period_s))
    believed = on.sum() >= LINE_EVENTS and nats - math.log(len(on) * LINES_A_STROKE) >= LINE_NATS
    return on if believed else None


@kernel
def try_grids(strokes_s: Floats, grids: Floats) -> int:
    """Grids fitted to the commonest distances of strokes, with their halves, thirds and quarters; how many there are.

    ``grids`` (``TRIED * PARTS``, 3) gets the period and a line of each, and the nats it is worth: -inf where too few are on it.
    """
    count = strokes_s.shape[0]
    periods_s = np.empty(TRIED * PARTS)
    found = list_periods(strokes_s, periods_s)
    middle_s = strokes_s[count // 2]
    near_s = np.empty(2 * count)
    for row in range(found):
        period_s, held = periods_s[row], 0
        for stroke_s in strokes_s:
            if abs(stroke_s - middle_s) < 20.0 * period_s:
                near_s[held] = stroke_s - middle_s
                held += 1
        line_s = middle_s + densest(near_s, held, period_s)
        period_s, line_s = follow_lines(strokes_s, middle_s, period_s, line_s)
        hits = 0
        for stroke_s in strokes_s:
            off_s = stroke_s - line_s - period_s * np.rint((stroke_s - line_s) / period_s)
            hits += abs(off_s) <= NEAR_S
        share, chance = hits / count, min(0.9, 2.0 * NEAR_S / period_s)
        grids[row, 0], grids[row, 1], grids[row, 2] = period_s, line_s, -np.inf
        if (share - chance) / (1.0 - chance) >= LEAST_SHARE:
            grids[row, 2] = count * divergence(share, chance) - math.log(count * GRIDS_A_STROKE)
    return found


@inner_kernel
def list_periods(strokes_s: Floats, periods_s: Floats) -> int:
    """The commonest distances of strokes, with their halves, thirds and quarters; how many there are.

    A distance is counted in cells, and looked for in two neighbours together: theirs is the median of all in them.
    """
    cells = np.zeros(int(LONGEST_S / CELL_S) + 2, np.int64)
    for later in range(strokes_s.shape[0]):
        for earlier in range(later - 1, -1, -1):
            apart_s = strokes_s[later] - strokes_s[earlier]
            if apart_s >= LONGEST_S:
                break
            cells[int(apart_s / CELL_S)] += 1
    pairs = cells[:-1] + cells[1:]
    usual = pairs.sum() / pairs.shape[0]
    least = max(float(LEAST_PAIRS), usual + OVER_CHANCE * math.sqrt(usual))
    found = 0
    for _ in range(TRIED):
        cell = np.argmax(pairs)
        if pairs[cell] < least:
            break
        distance_s = middle_distance(strokes_s, cell * CELL_S, (cell + 2) * CELL_S, pairs[cell])
        pairs[cell] = -1
        for parts in range(1, PARTS + 1):
            period_s = distance_s / parts
            fresh = period_s >= SHORTEST_S
            for other in range(found):
                fresh = fresh and abs(period_s - periods_s[other]) > 0.0002
            if fresh:
                periods_s[found] = period_s
                found += 1
    return found


@inner_kernel
def middle_distance(strokes_s: Floats, from_s: float, to_s: float, most: int) -> float:
    """The median of the distances of strokes in ``[from_s, to_s)``, of which there are about ``most``."""
    apart_s = np.empty(most + 2)
    held = 0
    for later in range(strokes_s.shape[0]):
        for earlier in range(later - 1, -1, -1):
            distance_s = strokes_s[later] - strokes_s[earlier]
            if distance_s >= to_s:
                break
            if distance_s >= from_s and held < apart_s.shape[0]:
                apart_s[held] = distance_s
                held += 1
    sort_few(apart_s, held)
    return 0.5 * (apart_s[(held - 1) // 2] + apart_s[held // 2])


@inner_kernel
def sort_few(values: Floats, count: int) -> None:
    """Sort the first ``count`` values, some hundred at most, in place."""
    for at in range(1, count):
        value, place = values[at], at
        while place > 0 and values[place - 1] > value:
            values[place] = values[place - 1]
            place -= 1
        values[place] = value


@inner_kernel
def follow_lines(strokes_s: Floats, middle_s: float, period_s: float, line_s: float) -> Grid:
    """Period and line fitted to the strokes on the lines of a first guess.

    The guess is off by up to some 10 us a period; the strokes are worked through from their middle outwards, each round
    with a longer reach, so that lines are not miscounted.
    """
    lines, times_s = np.empty(strokes_s.shape[0]), np.empty(strokes_s.shape[0])
    for reach_s in (20.0 * period_s, 60.0 * period_s, np.inf):
        held = 0
        for stroke_s in strokes_s:
            line = np.rint((stroke_s - line_s) / period_s)
            on = abs(stroke_s - line_s - period_s * line) <= NEAR_S
            if on and abs(stroke_s - middle_s) < reach_s:
                lines[held], times_s[held] = line, stroke_s
                held += 1
        if held < 3 or lines[held - 1] == lines[0]:
            break
        # the least-squares line through them
        middle, along, across = lines[:held].mean(), 0.0, 0.0
        for i in range(held):
            along += (lines[i] - middle) * times_s[i]
            across += (lines[i] - middle) ** 2
        period_s = along / across
        line_s = times_s[:held].mean() - period_s * middle
    return period_s, line_s


@inner_kernel
def densest(times_s: Floats, count: int, period_s: float) -> float:
    """The phase, in seconds, round which most of the first ``count`` times lie, which become phases in order; there is room for
    twice as many."""
    for at in range(count):
        times_s[at] = np.mod(times_s[at], period_s)
    sort_few(times_s, count)
    for at in range(count):
        times_s[count + at] = times_s[at] + period_s
    return fullest(times_s[: 2 * count], count)[0]


@inner_kernel
def fullest(sorted_s: Floats, begins: int) -> tuple[float, int]:
    """Of sorted values, those that the fullest window two lines' half widths long holds: their median, and how many.

    The window begins at one of the first ``begins`` values.
    """
    first, most, stop = 0, 0, 0
    for begin in range(begins):
        while stop < sorted_s.shape[0] and sorted_s[stop] <= sorted_s[begin] + 2.0 * NEAR_S:
            stop += 1
        if stop - begin > most:
            first, most = begin, stop - begin
    return 0.5 * (sorted_s[first + (most - 1) // 2] + sorted_s[first + most // 2]), most


def _is_the_turn(on_s: Floats, strokes_s: Floats, period_s: float) -> bool:
    """Whether the repairs on a grid come back after a turn, on the grid or off it, and lie at a few places of a turn.

    Three and more places at even distances all round the turn are no scratches.
    """
    apart = (strokes_s[np.newaxis, :] - on_s[:, np.newaxis]).ravel()
    for turn_s in TURNS_S:
        near = np.sort(apart[np.abs(apart - turn_s) <= TURN_ROOM * turn_s])
        if not len(near):
            continue
        found_s, returns = fullest(near, len(near))
        if returns < TURN_SHARE * len(on_s):
            continue
        phases = np.sort(np.mod(on_s - on_s[0] + NEAR_S, found_s))
        bounds = np.flatnonzero(np.diff(phases) > 2.0 * NEAR_S) + 1
        sizes = np.diff(np.concatenate([[0], bounds, [len(phases)]]))
        lines = round(found_s / period_s)
        filled = np.count_nonzero(sizes >= 0.4 * len(on_s) / max(1, lines))
        full = lines >= FULL_LINES and abs(lines * period_s - found_s) <= 2.0 * NEAR_S and filled >= lines
        if np.count_nonzero(sizes > 1) < LINES_A_TURN and not full:
            return True
    return False


@inner_kernel
def divergence(share: float, chance: float) -> float:
    """Nats a trial by which a share of hits is unlike its chance (Kullback and Leibler); 0 below the chance."""
    if share <= chance:
        return 0.0
    rest = (1.0 - share) * math.log((1.0 - share) / (1.0 - chance)) if share < 1.0 else 0.0
    return share * math.log(share / chance) + rest
