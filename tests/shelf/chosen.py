"""Choices on a record, made as the program and as a person make them: for the tests of what is kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from sidekeep.model.cuts import SideCuts, Track
from sidekeep.model.recipe import Recipe
from sidekeep.shelf.choices import choice_files
from sidekeep.shelf.choices.choice_files import put_side
from sidekeep.shelf.choices.choices import change_choices, read_choices
from sidekeep.shelf.choices.journal import State
from sidekeep.shelf.choices.recipe_file import put_recipe

TAKE = "ab" * 32


def side(letter: str = "A", moved: int = 0, take: str = TAKE) -> SideCuts:
    tracks = tuple(
        Track(
            number=n,
            title=f"Song {n}",
            start_frame=n * 100_000 + moved,
            stop_frame=n * 100_000 + 90_000,
            confidence=0.9,
            boundary="edge" if n == 1 else "gap",
        )
        for n in (1, 2, 3)
    )
    return SideCuts(
        side=letter,
        needle_down_frame=0,
        needle_up_frame=400_000,
        music_start_frame=tracks[0].start_frame,
        music_stop_frame=tracks[-1].stop_frame,
        tracks=tracks,
        take=take,
        rate_hz=44_100,
    )


def chosen_record(tmp_path: Path) -> Path:
    """A record's folder with a sleeve, notes of a person's, and the cuts of two sides as a survey proposes them."""
    (tmp_path / "record.toml").write_text(
        '# mine\nid = "x"\nnotes = "from the attic" # really\n\n[shop]\nprice = 3\n'
    )
    (tmp_path / "sleeve.txt").write_text("Marrow Lane - The Orchard Hours (1974)\n")
    propose(tmp_path, side("A"), side("B"))
    return tmp_path


def propose(folder: Path, *sides: SideCuts) -> None:
    def change(state: State) -> State:
        for one in sides:
            put_side(state, one)
        return state

    change_choices(folder, "cuts-proposed", {}, change, by="survey")


def move(folder: Path, letter: str = "A", frame: int = 205_000, revision: int | None = None) -> None:
    def change(state: State) -> State:
        (old,) = [one for one in choice_files.sides_in(state) if one.side == letter]
        tracks = (old.tracks[0], replace(old.tracks[1], start_frame=frame, edited=True), old.tracks[2])
        put_side(state, replace(old, tracks=tracks))
        return state

    change_choices(folder, "move-mark", {"side": letter, "frame": frame}, change, expected_revision=revision)


def with_recipe(folder: Path, recipe: Recipe) -> None:
    def change(state: State) -> State:
        put_recipe(state, recipe)
        return state

    change_choices(folder, "recipe", {}, change)


def start(folder: Path, letter: str = "A", number: int = 2) -> int:
    (found,) = [one for one in read_choices(folder).sides if one.side == letter]
    return found.tracks[number - 1].start_frame
