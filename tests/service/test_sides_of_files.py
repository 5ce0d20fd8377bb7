"""Which sides are on which file, going by order and by what the names say."""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.errors import ParameterError
from sidekeep.model.record import Record, Side, SleeveTrack
from sidekeep.service.choices.sleeves import assign_files

ONE_TRACK = (SleeveTrack(number=1, title="Lamp Oil"),)


def record(sides: str) -> Record:
    return Record(title="Tallow", sides=tuple(Side(name=name, tracks=ONE_TRACK) for name in sides))


def assigned(files: list[str], sides: str) -> list[str]:
    takes = assign_files([Path(name) for name in files], record(sides))
    return ["".join(side.name for side in take.sides or ()) for take in takes]


@pytest.mark.parametrize(
    ("files", "sides", "expected"),
    [
        (["one.wav", "two.wav"], "AB", ["A", "B"]),
        (["tallow side A.wav", "tallow side B.wav"], "AB", ["A", "B"]),
        (["side-B.wav"], "AB", ["B"]),
        (["sideC.wav", "SIDE_D.flac"], "ABCD", ["C", "D"]),
        (["side-B.wav", "side-D.wav", "side-A.wav"], "ABCD", ["B", "D", "A"]),
        # A title may end in a letter, or a name hold two sides.
        (["Plan B.wav"], "AB", ["AB"]),
        (["B.wav"], "AB", ["B"]),
        (["Side A and B.wav"], "AB", ["AB"]),
        (["side A, side B.wav", "side C, side D.wav"], "ABCD", ["AB", "CD"]),
        (["first.wav", "second.wav"], "ABCD", ["AB", "CD"]),
    ],
)
def test_files_are_the_sides_their_order_and_names_say(
    files: list[str], sides: str, expected: list[str]
) -> None:
    assert assigned(files, sides) == expected


@pytest.mark.parametrize(
    "files", [["side-B.wav", "side-A.wav"], ["x - B.flac", "x - A.flac"], ["one.wav", "side A.wav"]]
)
def test_a_name_that_says_another_side_is_refused(files: list[str]) -> None:
    with pytest.raises(ParameterError) as caught:
        assigned(files, "AB")
    assert caught.value.code == "name-says-other-side"


def test_what_a_person_says_stands_over_the_names() -> None:
    takes = assign_files([Path("side-B.wav"), Path("side-A.wav")], record("AB"), ["A", "B"])
    assert [[side.name for side in take.sides or ()] for take in takes] == [["A"], ["B"]]


@pytest.mark.parametrize(
    ("files", "expected"),
    [
        (["Side B.wav", "Side A.wav"], ["B", "A"]),
        (["Seite 2.wav", "Seite 1.wav"], ["B", "A"]),
        (["b.flac", "a.flac"], ["B", "A"]),
        (["Quay - B.wav", "Quay - A.wav"], ["B", "A"]),
        (["Side B.wav"], ["B"]),
        (["Side D.wav", "Side C.wav"], ["D", "C"]),
        # Nothing tells: in order, or for one file whatever is found on it.
        (["two.wav", "one.wav"], ["A", "B"]),
        (["Vitamin C.wav", "Plan B.wav"], ["A", "B"]),
        (["Side A 1.wav", "Side A 2.wav"], ["A", "B"]),
        (["Plan B.wav"], [""]),
    ],
)
def test_without_a_sleeve_names_are_believed_too(files: list[str], expected: list[str]) -> None:
    takes = assign_files([Path(name) for name in files], None)
    assert ["".join(side.name for side in take.sides or ()) for take in takes] == expected


def test_more_files_than_letters_are_refused() -> None:
    files = [Path(f"{number:02d}.wav") for number in range(27)]
    assert len(assign_files(files[:26], None)) == 26
    with pytest.raises(ParameterError) as caught:
        assign_files(files, None)
    assert caught.value.code == "more-files-than-letters"
