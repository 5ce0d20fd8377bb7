"""Times that fit are no proof: other places, another order, or no list at all may explain a side as well.

Where music stops and starts again, and how sure each place is, is given; no source, the sides are our own.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from sidekeep.dsp.tracks.boundaries import Place
from sidekeep.flow.tracks.cut import find_cuts
from sidekeep.flow.tracks.play_sides import divide_places
from sidekeep.flow.tracks.title_doubts import with_doubts
from sidekeep.flow.tracks.titles import TITLE_SURE, Lines, lines_of
from tests.flow.made_sides import features_of, make_side, sleeve, tune

HOP_S = 0.02


def places(*inside: tuple[float, float, float], stop_s: float) -> list[Place]:
    """From (music stops, starts again, log odds) in seconds; a change without a gap where both are equal."""
    ends = [(0.0, 0.0, 0.0), *inside, (stop_s, stop_s, 0.0)]
    return [
        Place(round(stop / HOP_S), round(start / HOP_S), start > stop or odds == 0.0, odds)
        for stop, start, odds in ends
    ]


def named(nodes: Sequence[Place], printed_s: Sequence[float | None]) -> tuple[list[bool], Lines]:
    division = divide_places(nodes, printed_s, HOP_S)
    lines = with_doubts(lines_of(division), nodes, division, printed_s, HOP_S)
    return [share >= TITLE_SURE for share in lines.sure], lines


SEGUE_WHERE_THE_OTHER_ORDER_HAS_IT = places((45.6, 49.1, 3.6), (65.2, 65.2, -1.0), stop_s=114.0)


def test_two_titles_in_the_other_order_are_not_laid_on_a_change_of_sound() -> None:
    assert named(SEGUE_WHERE_THE_OTHER_ORDER_HAS_IT, [66.0, 46.0])[0] == [False, False]
    assert named(SEGUE_WHERE_THE_OTHER_ORDER_HAS_IT, [46.0, 66.0])[0] == [True, True]


def test_neighbours_that_meet_at_a_segue_may_be_listed_the_other_way_round() -> None:
    """Four tracks, no gaps; the last two are printed as 39 and 44 s, and the change of sound is clearer where 44 and 39 have it."""
    side = places(
        (60.0, 60.0, 0.0), (113.0, 113.0, -0.5), (152.0, 152.0, -8.5), (157.0, 157.0, 0.0), stop_s=196.0
    )
    side = [
        Place(each.stop, each.start, at in (0, len(side) - 1), each.log_odds) for at, each in enumerate(side)
    ]
    assert named(side, [60.0, 53.0, 39.0, 44.0])[0] == [True, True, False, False]


@pytest.mark.parametrize(("odds", "is_named"), [(3.0, [False, False, True]), (1.0, [True, True, True])])
def test_a_pause_where_the_other_order_has_its_gap_leaves_two_titles_open(
    odds: float, is_named: list[bool]
) -> None:
    """A radio play: the pause after 40 s is as likely the gap between a line of 94 s and one of 40 s as that after 94 s."""
    side = places((40.0, 42.0, odds), (94.0, 96.0, 2.0), (136.0, 138.0, 4.0), stop_s=198.0)
    assert named(side, [94.0, 40.0, 60.0])[0] == is_named


def test_a_time_that_another_order_fits_alike_is_a_misprint_where_no_other_gap_is() -> None:
    """Two tracks of a minute, one printed ten seconds too long: it could be the time of either."""
    side = places((60.0, 62.0, 4.0), (122.0, 124.0, 4.0), (174.0, 176.0, 4.0), stop_s=216.0)
    assert named(side, [70.0, 60.0, 50.0, 40.0])[0] == [True] * 4


def test_a_list_that_explains_no_more_than_none_names_nothing() -> None:
    """Equal times: the clear gaps lie elsewhere, and changes of sound can be had at any time."""
    side = places((35.7, 40.0, 4.2), (56.0, 56.0, -1.5), (72.4, 76.0, 4.0), (84.0, 84.0, -1.0), stop_s=112.0)
    before = lines_of(divide_places(side, [56.0, 28.0, 28.0], HOP_S))
    given, after = named(side, [56.0, 28.0, 28.0])
    assert max(before.sure) >= TITLE_SURE
    assert after.index == before.index
    assert not any(given)
    assert named(side, [36.0, 33.0, 36.0])[0] == [True, True, True]


@pytest.mark.parametrize(
    ("printed_s", "is_named"), [(100.0, True), (74.0, True), (135.0, True), (50.0, False)]
)
def test_the_only_track_of_a_side_is_not_twice_as_long_as_printed(printed_s: float, is_named: bool) -> None:
    assert named(places(stop_s=100.0), [printed_s])[0] == [is_named]


def test_a_side_of_which_no_time_fits_is_not_named_by_those_of_the_next() -> None:
    """One play, taken for two sides: five times fit, that of the only track of the first side does not."""
    times = (52.0, 28.0, 36.0, 40.0)
    side = places((52.0, 55.0, 4.0), (83.0, 86.0, 4.0), (122.0, 125.0, 4.0), stop_s=165.0)
    division = divide_places(side, (66.0, *times[1:]), HOP_S)
    assert [share >= TITLE_SURE for share in lines_of(division).sure] == [True] * 4
    assert [share >= TITLE_SURE for share in lines_of(division, [1, 3]).sure] == [False, True, True, True]


def test_lines_of_two_sides_without_times_name_no_side_that_was_played_in_one_go() -> None:
    """A sleeve that lacks lines may by chance list as many in all as this side has."""
    made = make_side([tune(5, 28.0), tune(6, 33.0), tune(7, 26.0)], noise_dbfs=-60.0)
    sides = [sleeve((None,), "A"), sleeve((None, None), "B")]
    cuts, findings = find_cuts(features_of(made.audio), sides=sides)
    assert [track.title for side in cuts.sides for track in side.tracks] == ["", "", ""]
    assert "untitled-track" in {finding.kind for finding in findings}


def test_a_missing_first_line_names_no_first_track() -> None:
    """Without times, a gap too many: the line that is missing may be the first."""
    made = make_side([tune(5, 28.0), tune(6, 33.0), tune(7, 26.0)], noise_dbfs=-60.0)
    cuts, findings = find_cuts(features_of(made.audio), sides=[sleeve((None, None))])
    assert [track.title for side in cuts.sides for track in side.tracks] == ["", ""]
    assert {"untitled-track", "gap-unused"} <= {finding.kind for finding in findings}
