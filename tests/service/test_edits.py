"""Edits of a record on the shelf: each kind, what it refuses, undo; and that copies follow them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sidekeep.errors import ChangedElsewhere, NotThere, ParameterError
from sidekeep.model.cuts import SideCuts, Track
from sidekeep.model.recipe import MendChoice, Recipe
from sidekeep.service.choices import edits
from sidekeep.service.transfers.copies import keep_recipe
from sidekeep.shelf.choices.choice_files import put_side
from sidekeep.shelf.choices.choices import change_choices
from sidekeep.shelf.choices.journal import State
from sidekeep.shelf.record_folder import RecordFolder

RATE_HZ = 44_100
LENGTH = 400_000


def put_take(
    folder: RecordFolder, name: str, sha: str, length: int = LENGTH, taken: str = "2026-01-01"
) -> None:
    """A take's facts, without its sound."""
    take = folder.path / "takes" / name
    take.mkdir(parents=True)
    facts = {
        "schema": 1,
        "side": name.partition("-")[0],
        "number": int(name.partition("-")[2]),
        "rate_hz": RATE_HZ,
        "channels": 2,
        "bits": 24,
        "is_float": False,
        "length_frames": length,
        "files": [{"name": "take.wav", "size_bytes": 1, "sha256": sha}],
        "taken_utc": taken,
    }
    (take / "take.json").write_text(json.dumps(facts))


def side(letter: str, sha: str) -> SideCuts:
    tracks = tuple(
        Track(
            number=n,
            title=f"{letter} {n}",
            start_frame=n * 100_000,
            stop_frame=n * 100_000 + 90_000,
            boundary="edge" if n == 1 else "gap",
        )
        for n in (1, 2, 3)
    )
    return SideCuts(
        side=letter,
        needle_down_frame=0,
        needle_up_frame=LENGTH,
        music_start_frame=100_000,
        music_stop_frame=390_000,
        tracks=tracks,
        take=sha,
        rate_hz=RATE_HZ,
    )


@pytest.fixture
def folder(tmp_path: Path) -> RecordFolder:
    return made_record(tmp_path / "record")


def made_record(path: Path) -> RecordFolder:
    """A record with a take of each of two sides, cut."""
    made = RecordFolder.create(path, sleeve="Marrow Lane - The Orchard Hours (1974)\n")
    put_take(made, "A-1", "a" * 64)
    put_take(made, "B-1", "b" * 64)

    def change(state: State) -> State:
        put_side(state, side("A", "a" * 64))
        put_side(state, side("B", "b" * 64))
        return state

    change_choices(made.path, "cuts-proposed", {}, change, by="survey")
    return made


def tracks(folder: RecordFolder, letter: str = "A") -> list[tuple[int, int, str, str]]:
    (found,) = [one for one in edits.choices(folder).sides if one.side == letter]
    return [(t.start_frame, t.stop_frame, t.title, t.boundary) for t in found.tracks]


@pytest.mark.parametrize(
    ("edit", "wanted"),
    [
        ({"kind": "move-mark", "side": "A", "track": 2, "edge": "start", "frame": 195_000}, (195_000, 290_000, "A 2", "gap")),
        ({"kind": "move-mark", "side": "A", "track": 2, "edge": "stop", "frame": 295_000}, (200_000, 295_000, "A 2", "gap")),
        ({"kind": "split", "side": "A", "frame": 150_000}, (150_000, 190_000, "", "segue")),
        ({"kind": "split", "side": "A", "frame": 195_000}, (195_000, 200_000, "", "gap")),
        ({"kind": "join", "side": "A", "track": 2}, (200_000, 390_000, "A 2", "gap")),
        ({"kind": "runs-on", "side": "A", "track": 2}, (200_000, 290_000, "A 2", "segue")),
        ({"kind": "retitle", "side": "A", "track": 2, "title": "  Moss \n"}, (200_000, 290_000, "Moss", "gap")),
    ],
)  # fmt: skip
def test_an_edit_of_cuts_and_its_undo(
    folder: RecordFolder, edit: dict[str, Any], wanted: tuple[Any, ...]
) -> None:
    before = tracks(folder)
    result = edits.apply(folder, edit)
    assert tracks(folder)[1] == wanted
    assert result.entry is not None
    assert (result.entry.code, result.entry.facts["side"]) == (edit["kind"], "A")
    assert result.revision == edits.revision_of(folder)
    assert tracks(folder, "B")[1][2] == "B 2"
    edits.undo(folder, expected_revision=result.revision)
    assert tracks(folder) == before
    edits.redo(folder)
    assert tracks(folder)[1] == wanted


def test_a_track_is_begun_before_the_first_and_after_the_last(folder: RecordFolder) -> None:
    edits.apply(folder, {"kind": "split", "side": "A", "frame": 50_000})
    assert tracks(folder)[0] == (50_000, 100_000, "", "edge")
    edits.apply(folder, {"kind": "split", "side": "A", "frame": 395_000})
    assert tracks(folder)[4] == (395_000, LENGTH, "", "gap")
    (found,) = [one for one in edits.choices(folder).sides if one.side == "A"]
    assert (found.music_start_frame, found.music_stop_frame) == (50_000, LENGTH)


def test_music_bounds_move_the_outer_marks(folder: RecordFolder) -> None:
    edits.apply(folder, {"kind": "music-start", "side": "B", "frame": 95_000})
    edits.apply(folder, {"kind": "music-stop", "side": "B", "frame": 399_000})
    (found,) = [one for one in edits.choices(folder).sides if one.side == "B"]
    assert (found.music_start_frame, found.tracks[0].start_frame) == (95_000, 95_000)
    assert (found.music_stop_frame, found.tracks[-1].stop_frame) == (399_000, 399_000)


def test_right_makes_a_mark_sure(folder: RecordFolder) -> None:
    edits.apply(folder, {"kind": "right", "side": "A", "track": 3})
    (found,) = [one for one in edits.choices(folder).sides if one.side == "A"]
    assert (found.tracks[2].confidence, found.tracks[2].edited) == (1.0, True)


@pytest.mark.parametrize(
    ("edit", "code"),
    [
        ({"kind": "move-mark", "side": "A", "track": 2, "edge": "start", "frame": 300_000}, "past-a-neighbour"),
        ({"kind": "move-mark", "side": "A", "track": 3, "edge": "stop", "frame": LENGTH + 1}, "past-a-neighbour"),
        ({"kind": "move-mark", "side": "A", "track": 9, "edge": "start", "frame": 5}, "no-such-track"),
        ({"kind": "move-mark", "side": "C", "track": 1, "edge": "start", "frame": 5}, "no-take-of-side"),
        ({"kind": "move-mark", "side": "A", "track": 1, "edge": "start", "frame": -5}, "edit"),
        ({"kind": "move-mark", "side": "A", "track": 1, "edge": "start", "frame": 5, "to": 3}, "edit"),
        ({"kind": "dance"}, "edit"),
        ({}, "edit"),
        ({"kind": "split", "side": "A", "frame": 200_000}, "no-track-there"),
        ({"kind": "split", "side": "A", "frame": LENGTH}, "no-track-there"),
        ({"kind": "join", "side": "A", "track": 3}, "no-track-after"),
        ({"kind": "runs-on", "side": "A", "track": 1}, "first-track"),
        ({"kind": "retitle", "side": "A", "track": 1}, "nothing-given"),
        ({"kind": "leave"}, "choice-empty"),
        ({"kind": "leave", "start_frame": 9, "stop_frame": 9}, "choice-span"),
        ({"kind": "recipe", "peak_dbtp": 3.0}, "level-peak"),
        ({"kind": "choose-take", "side": "A", "number": 7}, "no-take-of-number"),
        ({"kind": "swap-sides", "a": "A", "b": "A"}, "same-side"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_writes_nothing(
    folder: RecordFolder, edit: dict[str, Any], code: str
) -> None:
    revision = edits.revision_of(folder)
    with pytest.raises((ParameterError, NotThere)) as caught:
        edits.apply(folder, edit)
    assert caught.value.code == code
    assert "\n" not in str(caught.value)
    assert edits.revision_of(folder) == revision


def test_a_stale_page_is_told(folder: RecordFolder) -> None:
    revision = edits.revision_of(folder)
    edits.apply(folder, {"kind": "notes", "text": "from the attic"}, expected_revision=revision)
    with pytest.raises(ChangedElsewhere):
        edits.apply(folder, {"kind": "notes", "text": "else"}, expected_revision=revision)
    assert edits.choices(folder).notes == "from the attic"


def test_repairs_are_left_and_mended_again(folder: RecordFolder) -> None:
    one = {"take": "a" * 16, "repair": "1843201L"}
    edits.apply(folder, {"kind": "leave", **one})
    edits.apply(folder, {"kind": "leave", "of_kind": "thump"})
    edits.apply(folder, {"kind": "mend", "start_frame": 5, "stop_frame": 90})
    assert edits.choices(folder).recipe.mend.choices == (
        MendChoice(**one),  # type: ignore[arg-type]
        MendChoice(of_kind="thump"),
        MendChoice(do="mend", start_frame=5, stop_frame=90),
    )
    edits.undo(folder)
    edits.undo(folder)
    edits.apply(folder, {"kind": "mend", **one})
    assert edits.choices(folder).recipe.mend.choices == (MendChoice(do="mend", **one),)  # type: ignore[arg-type]
    edits.apply(folder, {"kind": "leave", "of_kind": "thump"})
    edits.apply(folder, {"kind": "mend-all"})
    # What a person had mended after all may be in doubt, and would be left without its choice.
    assert edits.choices(folder).recipe.mend.choices == (MendChoice(do="mend", **one),)  # type: ignore[arg-type]
    assert edits.apply(folder, {"kind": "mend-all"}).entry is None


def test_one_setting_changes_one_thing(folder: RecordFolder) -> None:
    edits.apply(folder, {"kind": "recipe", "peak_dbtp": -3.0, "lead_in": "needle"})
    edits.apply(folder, {"kind": "recipe", "target": "none"})
    recipe = edits.choices(folder).recipe
    assert (recipe.level.target, recipe.level.peak_dbtp, recipe.edges.lead_in) == ("none", -3.0, "needle")


def test_the_first_setting_is_undone_for_good(folder: RecordFolder) -> None:
    edits.apply(folder, {"kind": "recipe", "target": "none"})
    assert (folder.path / "recipe.toml").exists()
    edits.undo(folder)
    assert edits.choices(folder).recipe == Recipe()
    assert [entry.by for entry in edits.history(folder)][-2:] == ["person", "undo"]
    edits.redo(folder)
    assert edits.choices(folder).recipe.level.target == "none"


def test_a_recipe_that_copies_followed_is_no_choice_of_the_person(folder: RecordFolder) -> None:
    keep_recipe(folder, Recipe())
    assert (folder.path / "recipe.toml").exists()
    assert not edits.choices(folder).can_undo
    keep_recipe(folder, replace(Recipe(), dither_seed=7))
    edits.undo(folder)
    assert edits.choices(folder).recipe == Recipe()
    assert not edits.choices(folder).can_undo


def test_sides_swapped_and_swapped_back(folder: RecordFolder) -> None:
    edits.apply(folder, {"kind": "choose-take", "side": "A", "number": 1})
    edits.apply(folder, {"kind": "swap-sides", "a": "A", "b": "B"})
    assert {take.folder: take.side for take in folder.takes()} == {"takes/A-1": "B", "takes/B-1": "A"}
    assert edits.choices(folder).use == {"B": 1}
    assert edits.choices(folder).sides == ()
    edits.undo(folder)
    assert {take.folder: take.side for take in folder.takes()} == {"takes/A-1": "A", "takes/B-1": "B"}
    assert len(edits.choices(folder).sides) == 2


def test_two_sides_in_one_take_were_played_the_other_way_round(folder: RecordFolder) -> None:
    put_take(folder, "AB-1", "e" * 64, length=2 * LENGTH, taken="2026-02-02")
    edits.apply(folder, {"kind": "swap-sides", "a": "A", "b": "B"})
    assert {take.folder: take.side for take in folder.takes()} == {
        "takes/A-1": "B",
        "takes/B-1": "A",
        "takes/AB-1": "BA",
    }
    assert edits.choices(folder).sides == ()


def kinds(folder: RecordFolder) -> list[str]:
    return [doubt.kind for doubt in folder.choose_takes().doubts]


def test_no_choice_of_a_take_is_silent(folder: RecordFolder) -> None:
    assert kinds(folder) == []
    put_take(folder, "B-2", "c" * 64, taken="2026-02-02")
    assert [take.folder for take in folder.chosen_takes()] == ["takes/A-1", "takes/B-2"]
    assert kinds(folder) == []
    put_take(folder, "B-3", "d" * 64, length=LENGTH // 3, taken="2026-03-03")
    assert [take.folder for take in folder.chosen_takes()] == ["takes/A-1", "takes/B-2"]
    assert kinds(folder) == ["take-chosen"]
    edits.apply(folder, {"kind": "choose-take", "side": "B", "number": 3})
    assert [take.folder for take in folder.chosen_takes()] == ["takes/A-1", "takes/B-3"]
    assert kinds(folder) == []


def test_a_take_that_is_not_there_and_one_of_both_sides_are_told(folder: RecordFolder) -> None:
    record = folder.path / "record.toml"
    record.write_text(record.read_text() + "\n[use]\nA = 4\n")
    assert kinds(folder) == ["take-not-there"]
    assert [take.folder for take in folder.chosen_takes()] == ["takes/A-1", "takes/B-1"]
    put_take(folder, "AB-1", "e" * 64, length=2 * LENGTH, taken="2026-02-02")
    assert "take-chosen" in kinds(folder)
    assert folder.choose_takes().owners["B"] == "takes/AB-1"
