"""A gap as clear as the others that begins no track: a title may be missing from the sleeve."""

from __future__ import annotations

from functools import cache

import pytest

from sidekeep.flow.live.side_watch import BoundaryBook, look_at_side
from sidekeep.flow.tracks.cut import find_cuts
from sidekeep.flow.tracks.side_features import Features
from sidekeep.model.finding import Finding
from sidekeep.model.record import Side
from sidekeep.wording.findings import told
from tests.flow.made_sides import RATE, MadeSide, features_of, make_side, sleeve, tune

LENGTHS_S = (80.0, 95.0, 75.0, 88.0)


@cache
def side_of_four() -> MadeSide:
    pieces = [tune(place, length_s) for place, length_s in enumerate(LENGTHS_S)]
    return make_side(pieces, gaps_s=[2.0, 2.5, 1.6], seed=0)


@cache
def features() -> Features:
    return features_of(side_of_four().audio)


def gaps_told(side: Side) -> list[Finding]:
    _, findings = find_cuts(features(), sides=[side])
    return [finding for finding in findings if finding.kind == "gap-unused"]


def test_a_sleeve_one_title_short_names_the_gap_that_is_left_over() -> None:
    (gap,) = gaps_told(sleeve([None] * 3))
    begins_s = side_of_four().starts_s
    assert min(abs(gap.stop_frame / RATE - at_s) for at_s in begins_s[1:]) < 0.5
    assert gap.severity == "look"
    (line,) = told([gap], RATE)
    assert "a gap was not used, in A" in line.text
    assert "Is a title missing" in line.text


@pytest.mark.parametrize(
    "printed",
    [
        [None] * 4,
        list(LENGTHS_S),
        # two pieces with a rest between them, printed as one: its time says that it goes on
        [80.0, 95.0, 75.0 + 1.6 + 88.0],
    ],
)
def test_no_gap_is_left_over_where_number_or_times_account_for_all(printed: list[float | None]) -> None:
    assert gaps_told(sleeve(printed)) == []


def test_a_printed_time_accounts_for_its_own_track_only() -> None:
    (gap,) = gaps_told(sleeve([80.0, None]))
    assert gap.stop_frame / RATE > side_of_four().starts_s[1] + 10.0


def test_a_gap_left_over_is_on_the_live_list_and_stays_there_when_the_side_is_over() -> None:
    side = sleeve([None] * 3)
    state = look_at_side(features(), side)
    begins_s = side_of_four().starts_s[1:]
    assert len(state.boundaries) == len(begins_s)
    (left,) = [seen for seen in state.boundaries if seen.track is None]
    book = BoundaryBook(RATE)
    book.update(state)
    cuts, _ = find_cuts(features(), sides=[side])
    last_word = book.settle([track for each in cuts.sides for track in each.tracks], [left])
    assert {state for _, state, _ in last_word} == {"settled"}
    assert sum(seen.track is None for _, _, seen in last_word) == 1
