"""A corrected sleeve reaches the titles of tracks, also of those whose marks were moved by hand; a title by hand stays."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sidekeep.model.cuts import SideCuts, Track
from sidekeep.service.choices.edits import apply, choices, redo, undo
from sidekeep.shelf.choices.choice_files import put_side, sides_in
from sidekeep.shelf.choices.choices import change_choices
from sidekeep.shelf.choices.journal import State
from sidekeep.shelf.record_folder import RecordFolder

SLEEVE = "The Wicker Boats - Tallow Wharf (1971)\nSide A\nA1 Lamp Oil 0:20\nA2 Roap 0:16\nA3 Eel 0:10\n"
CORRECTED = SLEEVE.replace("Lamp Oil", "Lamp Oils").replace("Roap", "Rope").replace("Eel", "Eels")


def track(number: int, title: str, *, edited: bool) -> Track:
    start = number * 44_100
    return Track(
        number=number, title=title, start_frame=start, stop_frame=start + 44_000, edited=edited, line=number
    )


@pytest.fixture
def record(tmp_path: Path) -> RecordFolder:
    """A1 as found, the mark of A2 moved by hand, A3 called otherwise by hand."""
    folder = RecordFolder.create(tmp_path / "record", sleeve=SLEEVE)
    side = SideCuts(
        side="A",
        needle_down_frame=0,
        needle_up_frame=300_000,
        music_start_frame=44_100,
        music_stop_frame=176_300,
        take="5" * 64,
        rate_hz=44_100,
        tracks=(
            track(1, "Lamp Oil", edited=False),
            track(2, "Roap", edited=True),
            track(3, "The Long Eel", edited=True),
        ),
    )

    def put(state: State) -> State:
        put_side(state, side)
        return state

    change_choices(folder.path, "cuts-proposed", {}, put, by="survey")
    return folder


def titles(folder: RecordFolder) -> list[tuple[str, bool]]:
    return [(each.title, each.edited) for each in choices(folder).sides[0].tracks]


@pytest.mark.parametrize("by_hand", [False, True])
def test_a_corrected_title_reaches_tracks_whose_marks_were_moved(record: RecordFolder, by_hand: bool) -> None:
    before = titles(record)
    if by_hand:
        (record.path / "sleeve.txt").write_text(CORRECTED, "utf-8")
    else:
        apply(record, {"kind": "sleeve", "text": CORRECTED})
    assert titles(record) == [("Lamp Oils", False), ("Rope", True), ("The Long Eel", True)]
    assert 'title = "Rope"' in (record.path / "cuts.toml").read_text("utf-8")
    undo(record)
    assert titles(record) == before
    assert (record.path / "sleeve.txt").read_text("utf-8") == SLEEVE


def test_of_a_list_that_is_longer_now_nobody_knows_which_line_became_which(record: RecordFolder) -> None:
    before = titles(record)
    apply(record, {"kind": "sleeve", "text": CORRECTED.replace("A3", "A3 Ghost 0:05\nA4")})
    assert titles(record) == before


def test_a_survey_between_does_not_keep_a_change_from_being_taken_back(record: RecordFolder) -> None:
    """It notes which line a track is and how sure that is, and titles what nobody titled: that is no change of a person's."""
    before = titles(record)

    def move(state: State) -> State:
        (side,) = sides_in(state)
        first = replace(side.tracks[0], start_frame=50_000, edited=True)
        put_side(state, replace(side, tracks=(first, *side.tracks[1:])))
        return state

    change_choices(record.path, "move-mark", {}, move)
    apply(record, {"kind": "sleeve", "text": CORRECTED})

    def note(state: State) -> State:
        (side,) = sides_in(state)
        tracks = tuple(replace(each, title_confidence=0.5, line=4 - each.line) for each in side.tracks)
        put_side(state, replace(side, tracks=tracks, likely_side="B"))
        return state

    change_choices(record.path, "cuts-proposed", {}, note, by="survey")
    undo(record)
    undo(record)
    assert titles(record) == before
    assert choices(record).sides[0].tracks[0].start_frame == 44_100
    assert redo(record).choices.sides[0].tracks[0].start_frame == 50_000


def test_a_change_by_hand_between_does(record: RecordFolder) -> None:
    apply(record, {"kind": "sleeve", "text": CORRECTED})
    text = (record.path / "cuts.toml").read_text("utf-8")
    (record.path / "cuts.toml").write_text(text.replace("Rope", "Ropes"), "utf-8")
    undo(record)
    assert titles(record)[1][0] == "Rope"
