"""What every track is called and numbered when only some sides of a record are made."""

from __future__ import annotations

import pytest

from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.copies.tracks.tagging import TransferFacts, track_facts, with_isrcs
from sidekeep.errors import ParameterError
from sidekeep.model.record import Record, Side, SleeveTrack


def side(name: str, tracks: int) -> SideAudio:
    return SideAudio(
        side=name,
        rate_hz=1_000,
        channels=2,
        spans=tuple((1_000 * number, 1_000 * (number + 1)) for number in range(tracks)),
        source_key="k",
    )


def test_numbers_run_on_from_the_sides_that_are_not_made_now() -> None:
    """Side B alone of a record with five tracks on A and four on B: 6 of 9, as if both were made together."""
    together = track_facts(Record(), [side("A", 5), side("B", 4)], TransferFacts())
    alone = track_facts(Record(), [side("B", 4)], TransferFacts(), elsewhere={"A": 5, "B": 4})
    for track in range(4):
        first, second = together[1, track], alone[0, track]
        assert (second.number, second.total, second.number_text) == (6 + track, 9, f"{6 + track:02d}")
        assert (first.number, first.tag_number, first.tag_total) == (
            second.number,
            second.tag_number,
            second.tag_total,
        )


def test_a_side_of_the_second_disc_counts_the_discs_before_it() -> None:
    """Three sides of two discs: on each disc the numbers begin at 1, in names they run on."""
    facts = track_facts(Record(), [side("C", 2)], TransferFacts(), elsewhere={"A": 3, "B": 3})
    first = facts[0, 0]
    assert (first.number, first.tag_number, first.tag_total, first.disc, first.discs) == (7, 1, 2, 2, 2)


def test_a_code_is_given_by_side_and_number_or_by_the_printed_mark() -> None:
    """The sleeve of a classical record numbers its movements, whatever their place on the side."""
    slow = SleeveTrack(number=1, title="Slow", position="III")
    fast = SleeveTrack(number=2, title="Fast", position="IV")
    printed = Side(name="B", tracks=(slow, fast))
    codes = {"iv": "AA6Q72000047", "B1": "AA6Q72000048"}
    facts = with_isrcs(Record(sides=(printed,)), [side("B", 2)], TransferFacts(isrc_marks=codes))
    assert facts.isrcs == {(0, 0): "AA6Q72000048", (0, 1): "AA6Q72000047"}
    with pytest.raises(ParameterError, match="no track has that mark"):
        with_isrcs(Record(sides=(printed,)), [side("B", 2)], TransferFacts(isrc_marks={"V": "AA6Q72000047"}))
