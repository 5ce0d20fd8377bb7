"""Sort names, notes, credits and codes of a sleeve in the tags; read back by mutagen and ffprobe."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from mutagen.flac import FLAC
from mutagen.id3 import ID3
from mutagen.mp4 import MP4

from sidekeep.copies.tracks.tagging import TransferFacts, sort_name
from sidekeep.errors import ParameterError
from sidekeep.model.recipe import CopySettings
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.shelf.sleeve.writing import write_sleeve
from tests.copies.feeder import Feeder, record

SLEEVE = """The Wicker Boats - A Tallow Almanac (1971)
Note: Recorded live. Produced and arranged by Ida Marsh & Tom Reed
Note: Mixed by Åse Lind.
Side A
A1 Lamp Oil
  isrc: AA-6Q7-20-00047
A2 The Quay
  note: take two
Side B
B1 Tide Table
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    found, problems = read_sleeve(SLEEVE)
    assert not problems
    feeder = Feeder(tmp_path_factory.mktemp("sleeve"), record=found, lengths=((9_600, 9_600), (9_600,)))
    facts = TransferFacts(isrc_marks={"a2": "AA6Q72000048"})
    paths = [
        each.path
        for each in feeder.copies("lossless,portable,aac", facts=facts)
        if each.length_frames and each.path.name.startswith("02")
    ]
    return {path.suffix: path for path in paths}


def test_vorbis_comments(written: dict[str, Path]) -> None:
    tags = FLAC(written[".flac"]).tags
    wanted = {
        "ARTISTSORT": ["Wicker Boats, The"],
        "ALBUMARTISTSORT": ["Wicker Boats, The"],
        "ALBUMSORT": ["Tallow Almanac, A"],
        "TITLESORT": ["Quay, The"],
        "PRODUCER": ["Ida Marsh", "Tom Reed"],
        "ARRANGER": ["Ida Marsh", "Tom Reed"],
        "MIXER": ["Åse Lind"],
        "ISRC": ["AA6Q72000048"],
    }
    assert {name: tags[name] for name in wanted} == wanted
    assert tags["DESCRIPTION"][0].splitlines() == [
        "take two",
        "Recorded live. Produced and arranged by Ida Marsh & Tom Reed",
        "Mixed by Åse Lind.",
    ]
    assert "ENGINEER" not in tags


def test_id3(written: dict[str, Path]) -> None:
    tags = ID3(written[".mp3"])
    assert tags["TSOP"].text == ["Wicker Boats, The"]
    assert tags["TSO2"].text == ["Wicker Boats, The"]
    assert tags["TSOT"].text == ["Quay, The"]
    assert ["producer", "Tom Reed"] in tags["TIPL"].people
    assert ["mix", "Åse Lind"] in tags["TIPL"].people
    assert tags["TSRC"].text == ["AA6Q72000048"]
    assert str(tags["COMM:sleeve notes:XXX"]).startswith("take two\n")


@pytest.mark.outside
def test_m4a_by_another_reader(written: dict[str, Path], program: Callable[[str], str]) -> None:
    assert MP4(written[".m4a"]).tags["soaa"] == ["Wicker Boats, The"]
    command = [program("ffprobe"), "-v", "error", "-show_entries", "format_tags", "-of", "json"]
    raw = subprocess.run([*command, str(written[".m4a"])], check=True, capture_output=True).stdout
    tags = json.loads(raw)["format"]["tags"]
    assert tags["sort_artist"] == "Wicker Boats, The"
    assert tags["synopsis"].startswith("take two")
    assert tags["PRODUCER"] == "Ida Marsh; Tom Reed"


def test_a_code_of_the_sleeve_survives_writing() -> None:
    found, _ = read_sleeve(SLEEVE)
    again, _ = read_sleeve(write_sleeve(found))
    assert again == found
    assert again.sides[0].tracks[0].isrc == "AA-6Q7-20-00047"
    table, _ = read_sleeve("X - Y (1971)\nmark,title,time,isrc\nA1,One,3:00,AA6Q72000047\nA2,Two,3:00,\n")
    assert [track.isrc for track in table.sides[0].tracks] == ["AA6Q72000047", ""]


@pytest.mark.parametrize(
    ("marks", "said"), [({"C9": "AA6Q72000048"}, "no track has that mark"), ({"A1": "AA6"}, "ISRC 'AA6'")]
)
def test_a_code_that_cannot_be_is_one_line(tmp_path: Path, marks: dict[str, str], said: str) -> None:
    with pytest.raises(ParameterError, match=said):
        Feeder(tmp_path).plan("lossless", facts=TransferFacts(isrc_marks=marks))


@pytest.mark.parametrize(
    ("name", "sorts"),
    [
        ("The Wicker Boats", "Wicker Boats, The"),
        ("A Waltz", "Waltz, A"),
        ("An Ear", "Ear, An"),
        ("The", ""),
        ("Theory", ""),
        ("Anna", ""),
        ("", ""),
    ],
)
def test_sort_names(name: str, sorts: str) -> None:
    assert sort_name(name) == sorts


def test_several_values_in_old_tags_are_separated_by_a_slash(tmp_path: Path) -> None:
    """As readers of ID3v2.3 expect (id3.org, "ID3 tag version 2.3.0", section 4.2.1: TCOM, TPE1)."""
    made = record((("One",),), artist="Marrow Lane; Quay", genre="Folk; Shanty")
    feeder = Feeder(tmp_path, record=made, lengths=((9_600,),))
    for kind in ("portable", "wav", "aiff"):
        written = feeder.copies(kind, settings=CopySettings(old_tags=True))
        data = next(each.path for each in written if each.length_frames).read_bytes()
        assert "Marrow Lane/Quay".encode("utf-16")[2:] in data
