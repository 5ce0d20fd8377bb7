"""Lines of the shelf that are kept: never an old one for a record that has changed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from sidekeep.errors import SleeveError
from sidekeep.service.house.house import House
from sidekeep.service.house.library import LONGEST_SLEEVE, Library
from sidekeep.service.house.records import record_view, summaries, summary_view
from sidekeep.service.house.records.summaries import Summaries
from sidekeep.service.house.takes import cuts_view
from sidekeep.shelf.choices.choices import Choices, read_choices

LONG_AGO = 1_600_000_000


@pytest.fixture
def shelf(full_shelf: Path, tmp_path: Path) -> Path:
    shutil.copytree(full_shelf, tmp_path / "shelf")
    settle(tmp_path / "shelf")
    return tmp_path / "shelf"


def settle(shelf: Path) -> None:
    """As if nothing had been touched for long."""
    for path in [*shelf.rglob("*"), *shelf.glob("*")]:
        os.utime(path, (LONG_AGO, LONG_AGO))


def line(kept: Summaries, library: Library) -> dict[str, object]:
    (entry,) = library.entries()
    return kept.view(entry)


CHANGES: dict[str, Callable[[Path], object]] = {
    "sleeve": lambda record: (record / "sleeve.txt").write_text("Vesna - Late (1987)\nSide A\nA1 Dew 0:08\n"),
    "take gone": lambda record: shutil.rmtree(record / "takes" / "A-1"),
    "survey gone": lambda record: shutil.rmtree(next((record / "takes" / "A-1" / "surveys").iterdir())),
    "reminder": lambda record: (record / "again.toml").write_text("after = 2030-01-31\n"),
    "copies gone": lambda record: shutil.rmtree(record / "copies"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_is_changed_by_hand_is_seen_at_once(shelf: Path, change: str) -> None:
    library = Library(shelf)
    kept = Summaries(library)
    before = line(kept, library)
    assert line(kept, library) is before  # kept, not made again
    (record,) = [path.parent for path in shelf.glob("*/record.toml")]
    CHANGES[change](record)
    assert line(kept, library) == line(Summaries(library), library) != before


def test_a_sleeve_far_too_long_makes_no_record(shelf: Path) -> None:
    library = Library(shelf)
    before = len(library.entries())
    with pytest.raises(SleeveError, match="characters"):
        library.create("a" * (LONGEST_SLEEVE + 1))
    assert len(library.entries()) == before
    made = library.create("The Wicker Boats - Tides (1973)\nSide A\nA1 Neap 3:10\n")
    assert made in {entry.record_id for entry in library.entries()}


def test_what_changed_just_now_is_not_relied_on(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second change within one tick of the clock leaves time and size of a file as they are."""
    library = Library(shelf)
    kept = Summaries(library)
    (sleeve,) = shelf.glob("*/sleeve.txt")
    text = sleeve.read_text("utf-8")
    sleeve.write_text(text.replace("Small Hours", "Large Hours"), "utf-8")
    tick = sleeve.stat().st_mtime_ns
    monkeypatch.setattr(summaries.time, "time_ns", lambda: tick + 1_000_000)
    assert line(kept, library)["title"] == "Large Hours"
    sleeve.write_text(text.replace("Small Hours", "Early Hours"), "utf-8")
    os.utime(sleeve, ns=(tick, tick))
    settle(sleeve.parent)  # whatever else was written on the way
    os.utime(sleeve, ns=(tick, tick))
    assert line(kept, library)["title"] == "Early Hours"


def test_a_record_that_cannot_be_read_hides_no_other(shelf: Path) -> None:
    library = Library(shelf)
    kept = Summaries(library)
    (entry,) = library.entries()
    (record,) = [path.parent for path in shelf.glob("*/record.toml")]
    whole = (record / "record.toml").read_text("utf-8")
    (record / "record.toml").write_text("id = [", "utf-8")
    told = kept.line(entry)
    assert (told["id"], told["title"], told["next_step"]) == (entry.record_id, "Small Hours", "look")
    assert "record.toml" in told["trouble"]
    (record / "record.toml").write_text(whole, "utf-8")
    assert set(kept.line(entry)) == set(told) - {"trouble"}
    renamed = record.rename(record.with_name("elsewhere"))
    (found,) = library.entries()
    assert kept.line(found)["state"] == "copied"  # its id tells
    renamed.rename(shelf.parent / "moved away")
    (gone,) = library.entries()
    assert (kept.line(gone)["state"], kept.line(gone)["sides"]) == ("gone", [])


def test_to_list_the_shelf_writes_nothing(shelf: Path) -> None:
    """Five hundred records of which no history has begun were written to, and flushed, one after another."""
    (record,) = [path.parent for path in shelf.glob("*/record.toml")]
    (record / "history.jsonl").unlink()
    settle(shelf)
    library = Library(shelf)
    kept = Summaries(library)
    before = {path: path.stat().st_mtime_ns for path in record.rglob("*")}
    listed = line(kept, library)
    assert {path: path.stat().st_mtime_ns for path in record.rglob("*")} == before
    assert line(kept, library) is listed  # as nothing was written, it is kept
    assert listed["revision"] == read_choices(record).revision == 1  # what a change of it has to name


def test_a_change_by_hand_is_taken_in_by_the_list(shelf: Path) -> None:
    library = Library(shelf)
    kept = Summaries(library)
    before = line(kept, library)["revision"]
    (sleeve,) = shelf.glob("*/sleeve.txt")
    sleeve.write_text("Vesna - Late (1987)\nSide A\nA1 Dew 0:08\n", "utf-8")
    after = line(kept, library)["revision"]
    assert after == read_choices(sleeve.parent).revision != before


def test_a_record_is_shown_as_it_was_at_one_moment(
    full_shelf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its choices were read three times: half of what was shown could be of before a change, half of after it."""
    shutil.copytree(full_shelf, tmp_path / "shelf")
    house = House(tmp_path / "shelf")
    try:
        read: list[Path] = []

        def counted(folder: Path, **how: bool) -> Choices:
            read.append(folder)
            return read_choices(folder, **how)

        for module in (record_view, summary_view, cuts_view):
            monkeypatch.setattr(module, "read_choices", counted)
        (entry,) = house.library.entries()
        assert house.record(entry.record_id)["sides"]
        assert len(read) == 1
    finally:
        house.close()
