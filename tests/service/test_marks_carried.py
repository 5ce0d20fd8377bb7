"""Marks that a person moved follow to a new take of the side where its sound says for sure where they are, and nowhere else."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.model.cuts import SideCuts
from sidekeep.model.edits import AsFound, ChooseTake, MoveMark, Retitle, Seen, Split
from sidekeep.press.disc.side import Piece, press_side
from sidekeep.service.choices import edits
from sidekeep.service.choices.recipes import recipe_from
from sidekeep.service.house.house import House
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.shelf.records import find_record
from sidekeep.service.transfers.copies import survey_kept
from sidekeep.shelf.choices.choices import change_choices
from sidekeep.shelf.choices.journal import State
from sidekeep.shelf.choices.recipe_file import write_recipe
from sidekeep.shelf.record_folder import RecordFolder
from tests.small_record import RATE_HZ, SETTINGS, SLEEVE, play, small_record

MOVED_S = 0.35
SPEED = 1.003
"""Turntables differ by no more than this (common practice, no source)."""
WITHIN_S = 0.01


@cache
def played_again() -> NDArray[np.float64]:
    """The disc of side A on another evening: its damage, but noise, hum and needle thumps of its own."""
    pieces = [Piece(audio=play(root), title="") for root in (110.0, 146.8)]
    return press_side(pieces, rate_hz=RATE_HZ, settings=SETTINGS, seed=11, play=1).audio


def later() -> NDArray[np.float64]:
    """1.4 s more of the chain before the needle, and quieter."""
    lead = played_again()[: round(1.4 * RATE_HZ)]
    return 0.6 * np.concatenate([lead[::-1], played_again()])


def slower() -> NDArray[np.float64]:
    audio = played_again()
    at = np.arange(0.0, len(audio) - 1.0, 1.0 / SPEED)
    return np.stack([np.interp(at, np.arange(len(audio)), audio[:, c]) for c in range(2)], axis=1)


def adopt_as_a(shelf: Path, audio: NDArray[np.float64], **more: object) -> None:
    path = shelf.parent / "side-A.wav"
    soundfile.write(path, audio, RATE_HZ, subtype="PCM_24")
    adopt([path], shelf=shelf, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def cut_by_hand(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with side A, whose second track a person let begin earlier and called otherwise."""
    shelf = tmp_path_factory.mktemp("marks") / "shelf"
    sleeve = shelf.parent / "sleeve.txt"
    sleeve.write_text(SLEEVE.split("Side B")[0])
    adopt_as_a(shelf, small_record().a.audio, sleeve_path=sleeve)
    folder = find_record(shelf, "small hours")
    (folder.path / "recipe.toml").write_text(write_recipe(recipe_from(size="none")))
    survey_kept(shelf, folder)
    frame = side_of(folder).tracks[1].start_frame - round(MOVED_S * RATE_HZ)
    edits.apply(folder, MoveMark(side="A", track=2, edge="start", frame=frame))
    edits.apply(folder, Retitle(side="A", track=2, title="Second Sight, again"))
    return shelf


@pytest.fixture
def shelf(cut_by_hand: Path, tmp_path: Path) -> Path:
    shutil.copytree(cut_by_hand, tmp_path / "shelf")
    return tmp_path / "shelf"


def side_of(folder: RecordFolder, take: int = -1) -> SideCuts:
    sha = folder.takes()[take].sha256
    (side,) = [each for each in edits.choices(folder).sides if each.take == sha]
    return side


def surveyed_again(shelf: Path, audio: NDArray[np.float64]) -> tuple[RecordFolder, set[str]]:
    adopt_as_a(shelf, audio, record_name="small hours", side_letters=["A"])
    folder = find_record(shelf, "small hours")
    (take,) = survey_kept(shelf, folder)
    return folder, {finding.kind for finding in take.survey.findings if finding.kind.startswith("marks")}


@pytest.mark.parametrize(("made", "speed", "start_s"), [(later, 1.0, 1.4), (slower, SPEED, 0.0)])
def test_marks_are_found_again(
    shelf: Path, made: Callable[[], NDArray[np.float64]], speed: float, start_s: float
) -> None:
    folder, told = surveyed_again(shelf, made())
    assert told == {"marks-carried"}
    old, new = side_of(folder, 0), side_of(folder, 1)
    for mine, theirs in zip(old.tracks, new.tracks, strict=True):
        assert (mine.title, mine.number) == (theirs.title, theirs.number)
        for edge in ("start_frame", "stop_frame"):
            place_s = getattr(mine, edge) / RATE_HZ * speed + start_s
            assert getattr(theirs, edge) / RATE_HZ == pytest.approx(place_s, abs=WITHIN_S)
    assert new.tracks[1].title == "Second Sight, again"
    assert new.is_a_persons
    assert new.needle_down_frame <= new.music_start_frame == new.tracks[0].start_frame


def test_other_music_gets_cuts_of_its_own(shelf: Path) -> None:
    folder, told = surveyed_again(shelf, small_record().b.audio)
    assert told == {"marks-not-carried"}
    assert not side_of(folder, 1).is_a_persons
    assert side_of(folder, 0).tracks[1].title == "Second Sight, again"  # and the earlier ones are still there


def test_what_was_not_carried_is_told_until_the_new_take_is_cut_by_hand(shelf: Path) -> None:
    folder, _ = surveyed_again(shelf, small_record().b.audio)

    def told() -> set[str]:
        (take,) = survey_kept(shelf, folder)
        return {finding.kind for finding in take.survey.findings if finding.kind.startswith("marks")}

    assert told() == {"marks-not-carried"}
    edits.apply(folder, ChooseTake(side="A", number=2))
    frame = side_of(folder, 1).tracks[1].start_frame - RATE_HZ // 10
    edits.apply(folder, MoveMark(side="A", track=2, edge="start", frame=frame))
    assert told() == set()


def test_a_take_that_ends_early_is_not_cut_by_guess(shelf: Path) -> None:
    end = small_record().a.truth.tracks[1].stop_frame - 3 * RATE_HZ
    adopt_as_a(shelf, played_again()[:end], record_name="small hours", side_letters=["A"])
    folder = find_record(shelf, "small hours")
    edits.apply(folder, ChooseTake(side="A", number=2))  # by itself the whole one stays chosen
    (take,) = survey_kept(shelf, folder)
    assert "marks-not-carried" in {finding.kind for finding in take.survey.findings}
    assert not side_of(folder, 1).is_a_persons


def test_an_earlier_take_that_cannot_be_read_carries_nothing(shelf: Path) -> None:
    folder = find_record(shelf, "small hours")
    (folder.path / folder.takes()[0].folder / "take.wav").write_bytes(b"")
    folder, told = surveyed_again(shelf, later())
    assert told == {"marks-not-carried"}


def test_what_was_carried_is_not_told_twice_and_one_undo_takes_it_back(shelf: Path) -> None:
    folder, _ = surveyed_again(shelf, later())
    carried = side_of(folder, 1)
    (take,) = survey_kept(shelf, folder)
    assert not [finding for finding in take.survey.findings if finding.kind.startswith("marks")]
    assert side_of(folder, 1) == carried


def test_a_side_whose_cuts_are_not_settled_yet_is_cut_from_what_its_survey_proposes(shelf: Path) -> None:
    """While the next side of an evening plays. An edit counted from a side without tracks: titles were refused, and a split put
    away every track that had been found."""
    folder = find_record(shelf, "small hours")
    (take,) = folder.takes()
    before = [track.start_frame for track in side_of(folder).tracks]

    def unsettled(state: State) -> State:
        return {path: value for path, value in state.items() if not path.startswith("cuts/")}

    change_choices(folder.path, "cuts-proposed", {}, unsettled, by="survey")
    assert not edits.choices(folder).sides
    edits.apply(folder, Retitle(side="A", track=2, title="Dew"))
    side = side_of(folder)
    assert [track.title for track in side.tracks] == ["Dew on the Crates", "Dew"]
    assert side.tracks[0].start_frame == before[0]
    assert (side.take, side.rate_hz) == (take.sha256, RATE_HZ)
    edits.undo(folder)
    assert not edits.choices(folder).sides
    edits.apply(folder, Split(side="A", frame=before[0] + RATE_HZ))
    assert len(side_of(folder).tracks) == 3
    (surveyed,) = survey_kept(shelf, folder)
    assert len(surveyed.survey.cuts.sides[0].tracks) == 3


def unsure_on_the_page(shelf: Path) -> list[str]:
    house = House(shelf)
    try:
        (entry,) = house.records()
        whole = house.record(entry["id"])
        doubts = [doubt["why"]["code"] for doubt in whole["sides"][0]["unsure"]]
        assert entry["unsure_count"] == len(doubts)
        return [code for code in doubts if code.startswith("marks")]
    finally:
        house.close()


def test_a_page_tells_of_carried_marks_until_they_were_looked_at_and_can_do_without_them(shelf: Path) -> None:
    """Only the command told of them."""
    folder, _ = surveyed_again(shelf, later())
    assert unsure_on_the_page(shelf) == ["marks-carried"]
    carried = side_of(folder, 1)
    edits.apply(folder, AsFound(side="A"))
    assert unsure_on_the_page(shelf) == []
    survey_kept(shelf, folder)  # nor are they carried once more
    found = side_of(folder, 1)
    assert not found.is_a_persons
    assert found.tracks[1].start_frame > carried.tracks[1].start_frame + MOVED_S / 2 * RATE_HZ
    edits.undo(folder)
    assert side_of(folder, 1) == carried
    assert unsure_on_the_page(shelf) == ["marks-carried"]
    seen = f"A-marks-carried-{carried.needle_down_frame}-both"
    edits.apply(folder, Seen(side="A", finding=seen))
    assert unsure_on_the_page(shelf) == []


def test_a_page_tells_of_marks_that_were_not_found_until_the_take_is_cut_by_hand(shelf: Path) -> None:
    folder, _ = surveyed_again(shelf, small_record().b.audio)
    edits.apply(folder, ChooseTake(side="A", number=2))
    assert unsure_on_the_page(shelf) == ["marks-not-carried"]
    edits.apply(folder, Retitle(side="A", track=1, title="Dew"))
    assert unsure_on_the_page(shelf) == []
