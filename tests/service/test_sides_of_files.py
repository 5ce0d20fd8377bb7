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
