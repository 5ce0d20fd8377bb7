"""What speaks against the printed lines of a play though their times fit: no list, other places or another order fit as well.

With a change of sound every few seconds, or a pause as in spoken word, there is nearly always one where a printed time would have
it. So a time that fits says little where its track begins at such a place: a gap may be as clear elsewhere, the sleeve may list
two neighbours in the other order, or be another record's. Conventions: as in ``flow.tracks.titles``; tracks are counted from 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sidekeep.dsp.tracks.boundaries import Place
from sidekeep.dsp.tracks.division import NO_LIST, Division, printed_sd_s
from sidekeep.flow.tracks.play_sides import divide_places
from sidekeep.flow.tracks.titles import DOUBTED, Lines
from sidekeep.flow.tracks.unused_gaps import gaps_left_over

_TOLD_APART = 3.0
"""Standard deviations two printed times must differ by, or their order cannot be heard."""
_EXPLAINS = 0.5
"""Log ratio for every printed time by which a list must explain a side better than none. On 1,208 sleeves with every kind of
misprint beside 50 sides this left out 150 of 331 titles on wrong music, and 113 of 2,791 on theirs, 4 of them where the
times were right (2026-11-28)."""
_EXPLAINS_WELL = 2.0
"""From it on a gap that is left over is a rest in the music: right times of 50 sides had 2.0 to 4.8."""
_TWICE = 1.5
"""The only track of a side that is so many times as long as printed, or as short, is another; at 33 1/3 instead of 45, and the
other way, it is 1.35 times."""


def with_doubts(
    lines: Lines, places: Sequence[Place], division: Division, printed_s: Sequence[float | None], hop_s: float
) -> Lines:
    """The lines with less surety: all of them where the list hardly explains the side; neighbours whose other order fits
    better, with a boundary elsewhere; those that meet at a segue where a gap is left over beside it."""
    timed = sum(time is not None for time in printed_s)
    if not timed or 2 * timed < len(printed_s):
        return lines
    if len(printed_s) == 1:
        return _alone(lines, places, division, printed_s[0] or 0.0, hop_s)
    explains = (division.score - _without_list(places, hop_s)) / timed
    if explains < _EXPLAINS:
        return lines.doubted()
    sure = list(lines.sure)
    for track in range(1, len(sure)):
        if _may_be_exchanged(places, division, lines.index[track - 1 : track + 1], printed_s, hop_s):
            for each in (track - 1, track):
                sure[each] = min(sure[each], DOUBTED)
    if explains < _EXPLAINS_WELL:
        for track in _beside_clear_gaps(places, division, hop_s):
            sure[track] = min(sure[track], DOUBTED)
    return replace(lines, sure=tuple(sure))


def _alone(
    lines: Lines, places: Sequence[Place], division: Division, printed_s: float, hop_s: float
) -> Lines:
    """The only line of a side. It is the only track too, so nothing beside it tells that its time is wrong."""
    first, last = places[division.nodes[0]], places[division.nodes[-1]]
    times = (last.stop - first.start) * hop_s / max(printed_s, 1.0)
    if 1.0 / _TWICE <= times <= _TWICE:
        return lines
    return lines.doubted()


def _without_list(places: Sequence[Place], hop_s: float) -> float:
    """How well the side is explained by what is heard alone, each place weighed as it is with a list."""
    as_listed = [replace(place, log_odds=place.log_odds + NO_LIST) for place in places]
    return divide_places(as_listed, None, hop_s).score


def _may_be_exchanged(
    places: Sequence[Place],
    division: Division,
    pair: Sequence[int],
    printed_s: Sequence[float | None],
    hop_s: float,
) -> bool:
    """Whether two neighbours may be listed in the other order than they are played in, with the boundary at another gap or
    change and all else as it is; with the same ones their lengths alone decide, as they do in ``titles``. Both orders last as
    long, so the speed is that of the division."""
    first, second = pair
    if min(pair) < 0 or second != first + 1:
        return False
    one, other = printed_s[first], printed_s[second]
    if one is None or other is None or abs(one - other) < _TOLD_APART * printed_sd_s(max(one, other)):
        return False
    exchanged = [*printed_s[:first], other, one, *printed_s[second + 1 :]]
    other_way = divide_places(places, exchanged, hop_s, (division.speed,))
    ends, other_ends = ([places[node].stop for node in found.nodes] for found in (division, other_way))
    return other_ends != ends and other_way.score > division.score


def _beside_clear_gaps(places: Sequence[Place], division: Division, hop_s: float) -> set[int]:
    """Tracks that meet another at a segue while one of the two holds a gap as clear as those between tracks."""
    nodes = division.nodes
    segues = [index for index in range(1, len(nodes) - 1) if not places[nodes[index]].gap]
    if not segues:
        return set()
    holding = {track for track, _, _ in gaps_left_over(places, division, hop_s)}
    return {track for index in segues if {index - 1, index} & holding for track in (index - 1, index)}
