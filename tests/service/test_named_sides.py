"""A file that calls itself another side than it was taken as is told of, for where times fit by chance nothing else tells."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.errors import ParameterError
from sidekeep.flow.passes.contract import survey_object
from sidekeep.service.choices.named_sides import name_findings, order_findings, sides_of_names
from sidekeep.service.choices.sleeves import assign_files, letters_of_pieces, read_sleeve_text
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.survey import survey_file
from tests.small_record import RATE_HZ, play

ONE_SIDE = "Vesna Or Nobody - Small Hours (1987)\nSide A\nA1 Dew on the Crates 0:08\n"


@pytest.mark.parametrize(
    ("name", "sides", "told"),
    [
        ("side-B.wav", ("A",), True),
        ("Small Hours, Side b 1.flac", ("A",), True),
        ("sideC.wav", ("A", "B"), True),
        ("Seite B.wav", ("B",), False),
        ("side-B.wav", ("A", "B"), False),
        ("side-B.wav", (), False),
        ("side A and side B.wav", ("C",), False),
        ("outside.wav", ("A",), False),
        ("side one.wav", ("A",), False),
        ("side 2.wav", ("A",), True),
        ("02 Seite 1.wav", ("A",), False),
        ("A-Seite.wav", ("B",), True),
        ("B面.wav", ("A",), True),
        ("B-sides and other songs.wav", ("A",), False),
        ("LP 2, side A.wav", ("C",), False),
        ("Disc 2 Side 2.flac", ("C",), True),
        ("LP2 Side C.flac", ("C",), False),
        ("face 2 face.wav", ("A",), False),
        ("Facet, Seiten, sides.wav", ("A",), False),
        ("side 27.wav", ("A",), False),
        ("Small Hours - B.wav", ("A",), False),
        ("inside B.wav", ("A",), False),
    ],
)
def test_a_letter_beside_the_word_for_side_counts(name: str, sides: tuple[str, ...], told: bool) -> None:
    assert bool(name_findings(Path(name), sides, 100)) == told


def test_sides_of_a_second_disc_are_not_those_of_the_first(tmp_path: Path) -> None:
    """Each disc has a side A, as many people call them."""
    record = read_sleeve_text(
        "Vesna - Long (1987)\n" + "".join(f"Side {each}\nDew 3:10\n" for each in "ABCD")
    ).record
    names = ["LP1 Side A.wav", "LP1 Side B.wav", "LP2 Side A.wav", "LP2 Side B.wav"]
    files = [tmp_path / name for name in names]
    for file in files:
        file.touch()
    assert [[side.name for side in take.sides or ()] for take in assign_files(files, record)] == [
        ["A"],
        ["B"],
        ["C"],
        ["D"],
    ]


def test_tracks_of_side_a_are_not_taken_for_sides(tmp_path: Path) -> None:
    record = read_sleeve_text("Vesna - Small (1987)\nSide A\nDew\nRail\nSide B\nWall\n").record
    files = [tmp_path / "A1 Dew.wav", tmp_path / "A2 Rail.wav"]
    with pytest.raises(ParameterError, match="its name says side A"):
        assign_files(files, record)


@pytest.mark.parametrize(
    ("names", "missing", "sides"),
    [
        (["b.wav", "a.wav"], "AB", ["B", "A"]),
        (["one.wav", "two.wav"], "AB", ["A", "B"]),
        (["Side B.wav"], "AB", ["B"]),
        (["take.wav"], "AB", ["AB"]),
        (["take.wav"], "B", ["B"]),
        (["take.wav"], "", ["AB"]),
        (["Side A 1.wav", "Side A 2.wav"], "AB", ["", ""]),
        (["A1 Dew.wav", "B1 Rail.wav"], "AB", ["A", "B"]),
        (["A1 Dew.wav", "A2 Rail.wav", "B1 Wall.wav"], "AB", ["", "", "B"]),
        (["U2 in a film.wav", "B-1.wav"], "AB", ["A", "B"]),
        (["1 Dew.wav", "2 Rail.wav", "3 Wall.wav"], "AB", ["", "", ""]),
        ([], "AB", []),
    ],
)
def test_what_recordings_are_taken_for_until_a_person_says(
    names: list[str], missing: str, sides: list[str]
) -> None:
    assert sides_of_names(names, "AB", missing) == sides


def test_a_file_of_side_b_under_a_sleeve_that_lists_side_a_only(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    hush = 1e-4 * rng.standard_normal((RATE_HZ, 2))
    recording = tmp_path / "side-B.wav"
    soundfile.write(recording, np.concatenate([hush, play(110.0), hush]), RATE_HZ, subtype="PCM_24")
    sleeve = tmp_path / "small.txt"
    sleeve.write_text(ONE_SIDE, encoding="utf-8")

    def kinds(letters: str | None) -> list[str]:
        found = survey_file([recording], sleeve_path=sleeve, side_letters=letters)
        return [finding.kind for finding in found.survey.findings]

    assert "named-otherwise" in kinds(None)
    assert "named-otherwise" not in kinds("A")  # a person has said so
    taken = adopt([recording], shelf=tmp_path / "shelf", sleeve_path=sleeve).takes[0]
    assert taken.side == "A"
    assert any("By its name side-B.wav is side B" in problem for problem in taken.problems)


@pytest.mark.parametrize(
    ("given", "pieces", "letters"),
    [
        ("A", 1, "A"), ("AB", 1, "AB"), ("A,B", 1, "AB"), ("a, b", 1, "AB"), ("A", 3, "A"), ("A,B", 3, "AB"),
        ("A,A", 2, "A"), ("A,A,B", 3, "AB"), ("AB,C", 2, "ABC"),
    ],
)  # fmt: skip
def test_sides_of_one_recording_are_named_as_those_of_several(given: str, pieces: int, letters: str) -> None:
    assert letters_of_pieces(given, pieces) == letters


@pytest.mark.parametrize(
    ("given", "pieces"), [("A,A", 1), ("A,B,A", 3), ("A,", 1), (",", 2), ("AA", 1), ("1,2", 2), ("A,A", 3)]
)
def test_sides_of_one_recording_that_are_no_sides(given: str, pieces: int) -> None:
    with pytest.raises(ParameterError, match="must be a letter"):
        letters_of_pieces(given, pieces)


def test_a_survey_takes_sides_with_commas_too(tmp_path: Path) -> None:
    sleeve = tmp_path / "small.txt"
    sleeve.write_text("Vesna - Small (1987)\nSide A\nDew\nSide B\nWall\n", encoding="utf-8")
    hush = 1e-4 * np.random.default_rng(8).standard_normal((RATE_HZ, 2))
    recording = tmp_path / "one.wav"
    soundfile.write(recording, np.concatenate([hush, play(110.0), hush]), RATE_HZ, subtype="PCM_24")
    with_comma, without = (
        survey_object(survey_file([recording], sleeve_path=sleeve, side_letters=letters).survey)
        for letters in ("A,B", "AB")
    )
    assert with_comma == without


@pytest.mark.parametrize(
    ("times", "name", "other"),
    [
        ("3:10 3:11", "1.wav", "B"),
        ("3:10 3:25", "1.wav", ""),
        (" ", "1.wav", "B"),
        ("3:10 ", "1.wav", ""),
        ("3:10 3:11", "side-A.wav", ""),
        ("3:10 3:11", "a single, A.wav", ""),
    ],
)
def test_that_only_the_order_of_the_files_says_which_side_it_is_is_told(
    times: str, name: str, other: str
) -> None:
    one, two = times.split(" ")
    record = read_sleeve_text(f"Vesna - A Single (1987)\nSide A\nDew {one}\nSide B\nRail {two}\n").record
    found = order_findings(Path(name), ("A",), record, 100)
    assert [finding.facts["other"] for finding in found] == ([other] if other else [])
    assert (
        order_findings(Path(name), ("A", "B"), record, 100) == []
    )  # both in one file: they follow each other
