"""What stands beside takes and styluses comes back as it was; what no take can be is refused in one line."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sidekeep.errors import ShelfError, SidekeepError
from sidekeep.model.news import News
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake, TakeFile, read_take
from sidekeep.shelf.styluses import STYLUSES, Stylus, read_styluses, write_styluses
from tests.outside import files_no_larger_than

TAKE = ShelfTake(
    side="A",
    number=2,
    folder="takes/A-2",
    rate_hz=96_000,
    channels=2,
    bits=24,
    length_frames=17,
    files=(TakeFile(name="take.wav", size_bytes=3, sha256="ab" * 32),),
    taken_utc="2026-02-03T04:05:06+00:00",
    how="recorded",
    stylus="Kestrel 4",
    problems=("a sentence",),
    notes=(
        News(
            code="loss",
            facts={"frames": 3, "share": 0.5, "names": ("L", "R"), "at": None},
            severity="act",
            at_frame=9,
        ),
    ),
)


def written(folder: Path, **other: Any) -> Path:
    place = folder / "takes" / "A-2"
    place.mkdir(parents=True)
    facts = {name: value for name, value in (TAKE.facts() | other).items() if value is not ...}
    (place / "take.json").write_text(json.dumps(facts))
    return place


def test_the_facts_of_a_take_come_back(tmp_path: Path) -> None:
    assert read_take(written(tmp_path), tmp_path) == TAKE


def test_checksums_in_capitals_are_the_same_checksums(tmp_path: Path) -> None:
    place = written(tmp_path)
    facts = place / "take.json"
    assert "ab" * 32 in facts.read_text()
    facts.write_text(facts.read_text().replace("ab" * 32, "AB" * 32))
    assert read_take(place, tmp_path) == TAKE


def test_a_take_whose_moving_was_cut_off_is_what_its_folder_is_called(tmp_path: Path) -> None:
    """A take is moved by one rename; its facts are written after it."""
    place = written(tmp_path)
    place.rename(place.with_name("B-1"))
    moved = read_take(place.with_name("B-1"), tmp_path)
    assert (moved.side, moved.number, moved.folder) == ("B", 1, "takes/B-1")
    (tmp_path / "takes" / ".bin").mkdir()
    binned = place.with_name(".bin") / "A-2"
    place.with_name("B-1").rename(binned)
    assert read_take(binned, tmp_path).binned == "discard"
    facts = json.loads((binned / "take.json").read_text())
    (binned / "take.json").write_text(json.dumps(facts | {"binned": "lifted"}))
    assert read_take(binned, tmp_path).binned == "lifted"
    binned.rename(place)
    assert read_take(place, tmp_path) == TAKE


def test_what_is_not_known_yet_is_passed_over_and_what_is_left_out_has_its_usual_value(
    tmp_path: Path,
) -> None:
    place = written(tmp_path, weather="rain", stylus=..., notes=..., problems=...)
    assert read_take(place, tmp_path) == replace(TAKE, stylus="", notes=(), problems=())


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("rate_hz", 0),
        ("rate_hz", "44100"),
        ("length_frames", -1),
        ("length_frames", ...),
        ("channels", 1e300),
        ("side", 3),
        ("how", "stolen"),
        ("files", [{"name": "../../take.wav", "size_bytes": 1, "sha256": ""}]),
        ("files", [{"name": "..", "size_bytes": 1, "sha256": ""}]),
        ("files", {"name": "take.wav"}),
        ("notes", [{"code": "loss", "weight": "loud"}]),
        ("notes", [7]),
    ],
)
def test_facts_that_no_take_can_have(tmp_path: Path, name: str, value: object) -> None:
    with pytest.raises(ShelfError, match=r"take\.json cannot be read .*take\.wav is untouched") as caught:
        read_take(written(tmp_path, **{name: value}), tmp_path)
    assert "\n" not in str(caught.value)


def test_the_severity_of_older_notes_is_kept_and_written_by_both_names(tmp_path: Path) -> None:
    """Fields are never renamed (docs/json.md): notes of takes recorded earlier say ``weight`` alone."""
    take = read_take(written(tmp_path, notes=[{"code": "loss", "weight": "act"}]), tmp_path)
    assert take.notes == (News(code="loss", severity="act"),)
    (note,) = take.facts()["notes"]
    assert (note["severity"], note["weight"]) == ("act", "act")


@pytest.mark.parametrize("text", ["[]", "7", "{", "[" * 100_000, '{"schema": 1}', "\xff\xfe"])
def test_a_file_that_holds_no_facts(tmp_path: Path, text: str) -> None:
    place = tmp_path / "takes" / "A-1"
    place.mkdir(parents=True)
    (place / "take.json").write_text(text, encoding="latin-1")
    with pytest.raises(ShelfError, match="cannot be read"):
        read_take(place, tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        'stylus = "x"\n',
        "[[stylus]]\nname = 3\n",
        '[[stylus]]\nname = "K"\nhours_before = -1.0\n',
        "[[stylus]]\n",
    ],
)
def test_a_list_of_styluses_that_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "styluses.toml").write_text(text)
    with pytest.raises(ShelfError, match="cannot be read"):
        read_styluses(tmp_path)


def test_a_record_is_made_whole_or_not_at_all(tmp_path: Path) -> None:
    """A disk that was full left an empty folder, which kept the record's name from it for good."""
    place = tmp_path / "The Wicker Boats - Tallow Wharf Almanac"
    with files_no_larger_than(100), pytest.raises(SidekeepError, match="cannot write"):
        RecordFolder.create(place, sleeve="The Wicker Boats - Tallow Wharf Almanac\n")
    assert list(tmp_path.iterdir()) == []
    assert RecordFolder.create(place, sleeve="The Wicker Boats - Tallow Wharf Almanac\n").takes() == []


def test_the_first_stylus_joins_what_a_person_wrote_into_the_list(tmp_path: Path) -> None:
    """A list of nothing but a note, as it is begun by hand."""
    (tmp_path / STYLUSES).write_text("# the spare one is in the drawer\n")
    write_styluses(tmp_path, [Stylus(name="Kestrel 4", hours_before=120.0)])
    assert "# the spare one is in the drawer" in (tmp_path / STYLUSES).read_text()
    assert read_styluses(tmp_path) == [Stylus(name="Kestrel 4", hours_before=120.0)]
