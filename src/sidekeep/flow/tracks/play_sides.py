"""Which side each play is: several sides in one file, several takes of one side, a side that is missing.

Conventions: a play is a stretch with the needle down; plays and sides are in playing order and are matched in order.
Lengths are compared: the music of a play with the sum of a side's printed times, and afterwards its tracks with the
printed times of the record's other sides (``likely_side``). Only whether two plays are of one side is heard (``played_once``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sidekeep.dsp.tracks.boundaries import Place
from sidekeep.dsp.tracks.division import SPEEDS, Division, divide
from sidekeep.flow.tracks.same_music import is_same_length, is_same_sound
from sidekeep.flow.tracks.side_features import Features, PlayedPart
from sidekeep.model.record import Side

Assigned = list[tuple[int, tuple[Side, ...]]]

_UNUSED = 0.7
_MISSING = 1.5
"""Costs of a play that is no side and of a side that was not played, beside those of ``_mismatch``: with both, a play is left
over where it is 1.8 times as long or as short as the side. That a side is missing is the stranger of the two (chosen here)."""
_FEWEST_S = 20.0
"""Shorter than any side: a needle that was tried, or a play that was broken off."""
_UNKNOWN = 0.35
"""Cost of a side of unknown length: less than a play left over, so that lengths decide only where they are printed."""
_OTHER_SIDE = 6.0
"""Log ratio by which another side's printed times must fit better before a play is said to be that side."""
_BY_CHANCE = 0.5
"""Of a play that is perhaps a missing side: with two times that do not fit, those that do may fit by chance."""
_LATER = 1e-3
"""Of two plays that fit alike the later one is taken: a side that was played twice is whole the second time."""
_EARLIER = 1e-4
"""Of two sides that fit alike the earlier one is taken: records are begun with side A."""


def played_once(features: Features, plays: Sequence[tuple[PlayedPart, tuple[int, int]]]) -> list[int]:
    """Indexes of the plays without those of music that was played already: one side cannot be two. Of two plays on end the
    later one stays, since a side that is begun again is whole the second time; one after another side is left out."""
    stays: list[int] = []
    for index, play in enumerate(plays):
        same = next((earlier for earlier in stays if _is_same(features, plays[earlier], play)), None)
        if same is None:
            stays.append(index)
        elif same == stays[-1]:
            stays[-1] = index
    return stays


def _is_same(
    features: Features, one: tuple[PlayedPart, tuple[int, int]], other: tuple[PlayedPart, tuple[int, int]]
) -> bool:
    hop_s = features.table.hop_s
    first_s, second_s = ((stop - start) * hop_s for _, (start, stop) in (one, other))
    if not is_same_length(first_s, second_s):
        return False
    first, second = (
        features.table.bands_db[part.first + start : part.first + stop]
        for part, (start, stop) in (one, other)
    )
    return is_same_sound(first, second, hop_s)


def assign_sides(
    lengths_s: Sequence[float], sides: Sequence[Side] | None
) -> tuple[Assigned, list[int], list[Side]]:
    """(play index with its sides, plays left over, sides not found). More than one side to a play means that the
    needle was not seen to leave the groove between them. Without ``sides`` every play of 20 s or more is one."""
    plays = len(lengths_s)
    if sides is None or not sides:
        used = [index for index in range(plays) if lengths_s[index] >= _FEWEST_S or plays == 1]
        return [(index, ()) for index in used], [i for i in range(plays) if i not in used], []
    if plays == len(sides):
        return [(index, (side,)) for index, side in enumerate(sides)], [], []
    expected = [_expected_s(side) for side in sides]
    count = len(sides)
    best = np.full((plays + 1, count + 1), np.inf)
    came: dict[tuple[int, int], tuple[int, int]] = {}
    best[0, 0] = 0.0
    for play in range(plays + 1):
        for side in range(count + 1):
            here = best[play, side]
            if not np.isfinite(here):
                continue
            for to_play, to_side, cost in _steps(play, side, lengths_s, expected):
                if here + cost < best[to_play, to_side]:
                    best[to_play, to_side] = here + cost
                    came[to_play, to_side] = (play, side)
    return _path(came, plays, sides)


def _steps(
    play: int, side: int, lengths_s: Sequence[float], expected: Sequence[float | None]
) -> list[tuple[int, int, float]]:
    """Where to go on from here, (play, side, cost): the play is left over, or is the next sides, or the next side is missing."""
    plays, count = len(lengths_s), len(expected)
    steps: list[tuple[int, int, float]] = []
    if play < plays:
        steps.append((play + 1, side, _UNUSED if lengths_s[play] >= _FEWEST_S else 0.05))
        for last in range(side + 1, count + 1):
            cost = _mismatch(lengths_s[play], expected[side:last]) + 0.2 * (last - side - 1)
            cost += _LATER * (plays - play)
            steps.append((play + 1, last, cost))
    if side < count:
        steps.append((play, side + 1, _MISSING + _EARLIER * (count - side)))
    return steps


def _path(
    came: dict[tuple[int, int], tuple[int, int]], plays: int, sides: Sequence[Side]
) -> tuple[Assigned, list[int], list[Side]]:
    assigned: Assigned = []
    unused: list[int] = []
    missing: list[Side] = []
    at = (plays, len(sides))
    while at != (0, 0):
        before = came[at]
        if before[0] == at[0]:
            missing.append(sides[before[1]])
        elif before[1] == at[1]:
            unused.append(before[0])
        else:
            assigned.append((before[0], tuple(sides[before[1] : at[1]])))
        at = before
    return assigned[::-1], unused[::-1], missing[::-1]


def _expected_s(side: Side) -> float | None:
    """Sum of the printed times; missing ones count as the mean of the others; None when none is printed."""
    times = [track.duration_s for track in side.tracks if track.duration_s is not None]
    return float(np.mean(times)) * len(side.tracks) if times else None


def _mismatch(length_s: float, expected: Sequence[float | None]) -> float:
    """Cost of taking a play for these sides: how far apart the lengths are, as a ratio."""
    if any(value is None for value in expected):
        return _UNKNOWN * len(expected) + (1.0 if length_s < _FEWEST_S else 0.0)
    total = sum(value for value in expected if value is not None)
    return min(3.0, 4.0 * max(0.0, abs(float(np.log(max(length_s, 1.0) / max(total, 1.0)))) - 0.03))


def likely_side(
    places: Sequence[Place],
    division: Division,
    side: Side,
    candidates: Sequence[Side],
    hop_s: float,
    missing: Sequence[Side] = (),
) -> tuple[str, float]:
    """The candidate whose printed times fit the places of a play clearly better than those of ``side``, by which it was
    divided (empty when there is none), and how sure it is that the play is ``side`` and none of the ``missing`` sides.

    Nobody said that the play is ``side`` and not a missing one: that was chosen by length alone, so a missing side need not
    fit clearly better, only better. No other candidate is tried while every time of ``side`` fits."""
    fits = [division.fits[track, line] for track, line in enumerate(division.listed) if line >= 0]
    is_fit = _is_whole(division, side) and min(fits) >= 0.0
    own = division.score if side.tracks else _without_times(places, hop_s)
    absent = {one.name for one in missing}
    best, name, against = 0.0, "", 0.0
    for other in {one.name: one for one in candidates}.values():
        printed = [track.duration_s for track in other.tracks]
        is_absent = other.name in absent
        if other.name == side.name or all(time is None for time in printed) or (is_fit and not is_absent):
            continue
        better = divide_places(places, printed, hop_s).score - own
        if is_absent:
            against += math.exp(min(better, 60.0))
        else:
            better -= _OTHER_SIDE
        if better > best:
            best, name = better, other.name
    off = sum(fit < 0.0 for fit in fits)
    sure = 1.0 / (1.0 + against)
    return name, min(sure, _BY_CHANCE) if absent and off > 1 else sure


def _is_whole(division: Division, side: Side) -> bool:
    """Whether every track of a play has its line of the side, and every line its track, with a time in print."""
    is_listed = all(line >= 0 for line in division.listed)
    is_timed = any(track.duration_s is not None for track in side.tracks)
    return is_listed and len(division.listed) == len(side.tracks) and is_timed


def divide_places(
    places: Sequence[Place],
    printed_s: Sequence[float | None] | None,
    hop_s: float,
    speeds: Sequence[float] = SPEEDS,
) -> Division:
    """The best division of the places of a play among printed times, at one of ``speeds``."""
    return divide(
        [place.stop * hop_s for place in places],
        [place.start * hop_s for place in places],
        [place.log_odds for place in places],
        printed_s,
        speeds,
    )


def _without_times(places: Sequence[Place], hop_s: float) -> float:
    """How well a side of which nothing is printed fits: as one of as many untimed tracks as are heard."""
    count = len(divide_places(places, None, hop_s).listed)
    return divide_places(places, [None] * count, hop_s).score
