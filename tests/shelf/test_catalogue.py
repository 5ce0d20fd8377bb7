"""The shelf: folders are the truth, the index can always be made again."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import stat
import unicodedata
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from sidekeep.errors import ParameterError, ShelfError, SidekeepError
from sidekeep.service.shelf import records as service
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.shelf.stylus_hours import keep_stylus, stylus_hours
from sidekeep.service.shelf.verify import verify
from sidekeep.shelf.index.catalogue import Catalogue
from sidekeep.shelf.index.index_faults import CATALOGUE
from sidekeep.shelf.index.migrations import STEPS, migrate
from sidekeep.shelf.record_folder import RecordFolder

SLEEVE = """Marrow Lane - The Orchard Hours (1974)
Label: Wrenkettle
Side A
A1 Dew on the Crates 2:10
A2 Eleven Ash Rungs 3:05
Side B
B1 Basket of Russets 4:00
"""


@pytest.fixture
def sleeve(tmp_path: Path) -> Path:
    path = tmp_path / "sleeve.txt"
    path.write_text(SLEEVE)
    return path


def recording(path: Path, *, seconds: float = 0.5, rate_hz: int = 44100) -> Path:
    random = np.random.default_rng(abs(hash(path.name)) % 1000)
    soundfile.write(
        path, random.standard_normal((int(seconds * rate_hz), 2)) * 0.1, rate_hz, subtype="PCM_24"
    )
    return path


class NoRoom:
    """A database on a full disk: the file is there, nothing goes into it."""

    def __init__(self, place: Path, **_: object) -> None:
        Path(str(place).removeprefix("file:")).touch()

    def execute(self, *_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    def close(self) -> None:
        """Nothing is held."""


class FillsUp(sqlite3.Connection):
    """A database whose disk fills up in the middle of a step: it has taken back all of it by itself then (sqlite.org,
    "Transactions", 3: some errors, SQLITE_FULL among them, may roll back)."""

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        if "CREATE TABLE take" in statement:
            super().execute("ROLLBACK")
            full = sqlite3.OperationalError("database or disk is full")
            full.sqlite_errorcode = sqlite3.SQLITE_FULL
            raise full
        return super().execute(statement, *values)


def test_a_disk_that_fills_up_while_the_index_is_begun_is_no_damage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = sqlite3.connect
    monkeypatch.setattr(
        "sidekeep.shelf.index.catalogue.sqlite3.connect",
        lambda place, **options: connect(place, factory=FillsUp, **options),
    )
    with pytest.raises(ShelfError) as caught:
        Catalogue(tmp_path)
    assert caught.value.code == "index-disk-full"


def test_an_index_that_cannot_be_begun_leaves_no_empty_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "kept"
    kept.mkdir()
    (kept / CATALOGUE).touch()
    monkeypatch.setattr("sidekeep.shelf.index.catalogue.sqlite3.connect", NoRoom)
    for shelf in (tmp_path, kept):
        with pytest.raises(ShelfError):
            Catalogue(shelf)
    assert not (tmp_path / CATALOGUE).exists()
    assert (kept / CATALOGUE).exists()  # somebody else's: left as it was


def test_reading_an_index_that_is_not_there_makes_none(tmp_path: Path) -> None:
    with pytest.raises(ShelfError):
        Catalogue(tmp_path, form="as it lies")
    assert list(tmp_path.iterdir()) == []


def test_a_records_life_on_the_shelf(tmp_path: Path, sleeve: Path) -> None:
    shelf = tmp_path / "shelf"
    folder = service.plan_record(shelf, sleeve)
    assert [entry.state for entry in service.list_records(shelf)] == ["planned"]
    side_a, side_b = recording(tmp_path / "one.wav"), recording(tmp_path / "two.flac")
    adopt([side_a], shelf=shelf, record_name="orchard", side_letters=["A"])
    assert folder.state() == "partly taken"
    adopt([side_b], shelf=shelf, record_name="orchard", side_letters=["B"], stylus="fine line")
    assert [entry.state for entry in service.list_records(shelf)] == ["taken"]
    (folder.path / "cuts.toml").write_text("")
    assert folder.state() == "cut"
    (folder.path / "copies" / "manifest-sha256.txt").write_text("")
    assert folder.state() == "copied"
    (folder.path / "checks.json").write_text('[{"ok": true}]')
    assert folder.state() == "copied"
    (folder.path / "checks.json").write_text(f'[{{"ok": true, "covers": "{folder.covers()}"}}]')
    assert folder.state() == "verified"


def test_a_folder_with_another_name_is_the_same_record(tmp_path: Path, sleeve: Path) -> None:
    shelf = tmp_path / "shelf"
    folder = service.plan_record(shelf, sleeve)
    (shelf / "by name").mkdir()
    folder.path.rename(shelf / "by name" / "my own")
    (entry,) = service.list_records(shelf)
    assert (entry.folder, entry.state) == ("by name/my own", "planned")
    shutil.rmtree(shelf / "by name")
    assert [entry.state for entry in service.list_records(shelf)] == ["gone"]


def test_a_record_is_indexed_however_its_folder_is_named(
    tmp_path: Path, sleeve: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From where the person stands, or by way of a link to the shelf."""
    shelf = tmp_path / "shelf"
    folder = service.plan_record(shelf, sleeve)
    (tmp_path / "link").symlink_to(shelf)
    monkeypatch.chdir(tmp_path)
    for named in (Path("shelf") / folder.path.name, tmp_path / "link" / folder.path.name):
        service.index_record(shelf, RecordFolder(named))
        (entry,) = service.list_records(shelf)
        assert (entry.folder, entry.state) == (folder.path.name, "planned")


def test_adopted_takes_are_exact_and_read_only(tmp_path: Path, sleeve: Path) -> None:
    source = recording(tmp_path / "side a.wav")
    before = source.read_bytes()
    adopted = adopt([source], shelf=tmp_path / "shelf", sleeve_path=sleeve, side_letters=["A"], move=True)
    take = adopted.takes[0]
    kept = adopted.folder.path / take.folder / take.files[0].name
    assert kept.read_bytes() == before
    assert not source.exists()
    assert not stat.S_IMODE(os.stat(kept).st_mode) & 0o222
    assert (take.rate_hz, take.bits, take.how, take.original_name) == (44100, 24, "adopted", "side a.wav")
    assert adopted.folder.takes() == [take]


def test_pieces_of_one_side_stay_one_take(tmp_path: Path, sleeve: Path) -> None:
    pieces = [recording(tmp_path / "a1.wav"), recording(tmp_path / "a2.wav")]
    adopted = adopt(pieces, shelf=tmp_path / "shelf", sleeve_path=sleeve, side_letters=["A", "A"])
    assert [file.name for file in adopted.takes[0].files] == ["take-1.wav", "take-2.wav"]
    assert adopted.takes[0].length_frames == 2 * 22050


def test_nothing_is_left_behind_when_a_file_is_bad(tmp_path: Path, sleeve: Path) -> None:
    bad = tmp_path / "b.wav"
    bad.write_text("not sound")
    with pytest.raises(SidekeepError, match=r"b\.wav"):
        adopt([recording(tmp_path / "a.wav"), bad], shelf=tmp_path / "shelf", sleeve_path=sleeve)
    assert not (tmp_path / "shelf").exists()


def test_recordings_go_to_the_record_that_was_planned_from_their_sleeve(tmp_path: Path, sleeve: Path) -> None:
    shelf = tmp_path / "shelf"
    planned = service.plan_record(shelf, sleeve)
    first = adopt([recording(tmp_path / "a.wav")], shelf=shelf, sleeve_path=sleeve, side_letters=["A"])
    assert first.folder.path == planned.path
    # A record that has takes may be another copy of the disc: nothing is mixed with it unasked.
    second = adopt([recording(tmp_path / "b.wav")], shelf=shelf, sleeve_path=sleeve, side_letters=["A"])
    assert second.folder.path != planned.path
    assert [len(each.takes()) for each in (planned, second.folder)] == [1, 1]


def test_several_takes_of_one_side_stay_side_by_side(tmp_path: Path, sleeve: Path) -> None:
    shelf = tmp_path / "shelf"
    service.plan_record(shelf, sleeve)
    for name in ("first.wav", "second.wav"):
        adopted = adopt([recording(tmp_path / name)], shelf=shelf, record_name="marrow", side_letters=["A"])
    assert [take.folder for take in adopted.folder.takes()] == ["takes/A-1", "takes/A-2"]
    assert [take.folder for take in adopted.folder.chosen_takes()] == ["takes/A-2"]
    record_toml = adopted.folder.path / "record.toml"
    record_toml.write_text(record_toml.read_text() + "\n[use]\nA = 1\n")
    assert [take.folder for take in adopted.folder.chosen_takes()] == ["takes/A-1"]


def test_the_index_is_the_same_after_deleting_it_and_after_moving_the_shelf(
    tmp_path: Path, sleeve: Path
) -> None:
    shelf = tmp_path / "shelf"
    adopt(
        [recording(tmp_path / "a.wav"), recording(tmp_path / "b.wav")],
        shelf=shelf,
        sleeve_path=sleeve,
        stylus="x",
    )
    before = service.list_records(shelf)
    (shelf / CATALOGUE).unlink()
    assert service.rebuild(shelf) == 1
    assert service.list_records(shelf) == before
    moved = tmp_path / "elsewhere" / "shelf"
    moved.parent.mkdir()
    shutil.move(shelf, moved)
    assert service.list_records(moved) == before
    assert service.find_record(moved, "orchard").takes()[0].length_frames == 22050


@pytest.mark.parametrize(
    ("words", "count"),
    [
        ("orchard", 1),
        ("ORCH", 1),
        ("basket marrow", 1),
        ("wrenk", 1),
        ("1974", 1),
        ("absent", 0),
        ('"* NOT', 0),
    ],
)
def test_search_takes_beginnings_of_words_from_anywhere(
    tmp_path: Path, sleeve: Path, words: str, count: int
) -> None:
    service.plan_record(tmp_path / "shelf", sleeve)
    assert len(service.list_records(tmp_path / "shelf", words)) == count


def test_an_index_that_is_gone_is_filled_from_the_folders(
    tmp_path: Path, sleeve: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Whoever looks next fills it; a folder that cannot be read is told, and keeps no other out of the list."""
    shelf = tmp_path / "shelf"
    record = service.plan_record(shelf, sleeve)
    (shelf / "A half one").mkdir()
    (shelf / "A half one" / "record.toml").write_text("id = ")
    (shelf / CATALOGUE).unlink()
    assert [entry.folder for entry in service.list_records(shelf)] == [record.path.name]
    assert "not in the list: " in caplog.text
    assert "A half one" in caplog.text


def test_a_second_copy_of_a_record_gets_its_own_folder(tmp_path: Path, sleeve: Path) -> None:
    first, second = (service.plan_record(tmp_path / "shelf", sleeve) for _ in range(2))
    assert second.path.name == first.path.name + " [2]"
    with pytest.raises(ShelfError, match="2 records match"):
        service.find_record(tmp_path / "shelf", "orchard")


def test_stylus_hours_come_from_recorded_takes_and_what_was_before(tmp_path: Path, sleeve: Path) -> None:
    shelf = tmp_path / "shelf"
    adopted = adopt(
        [recording(tmp_path / "a.wav")], shelf=shelf, sleeve_path=sleeve, side_letters=["A"], stylus="old tip"
    )
    facts = adopted.folder.path / adopted.takes[0].folder / "take.json"
    facts.write_text(facts.read_text().replace('"adopted"', '"recorded"').replace("22050", str(44100 * 1800)))
    service.rebuild(shelf)
    keep_stylus(shelf, "old tip", hours_before=399.5, remind_at_h=400.0)
    (log,) = stylus_hours(shelf)
    assert (log.hours, log.is_due) == (400.0, True)
    with pytest.raises(ParameterError, match="negative"):
        keep_stylus(shelf, "x", hours_before=-1.0, remind_at_h=400.0)


def test_a_catalogue_from_the_future_or_a_broken_one_is_one_sentence(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / CATALOGUE)
    connection.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    connection.close()
    with pytest.raises(ShelfError, match="newer sidekeep"):
        Catalogue(tmp_path)
    (tmp_path / CATALOGUE).write_bytes(b"no database at all, only words" * 100)
    with pytest.raises(ShelfError, match="made again from the record folders"):
        Catalogue(tmp_path)
    assert service.rebuild(tmp_path) == 0


def test_a_take_without_facts_is_seen_as_unfinished(tmp_path: Path, sleeve: Path) -> None:
    folder = service.plan_record(tmp_path / "shelf", sleeve)
    take_folder = folder.new_take_folder("A")
    recording(take_folder / "take.wav")
    assert RecordFolder(folder.path).unfinished() == [take_folder]
    assert folder.takes() == []


def set_asides(shelf: Path) -> list[str]:
    return sorted(path.name.removeprefix(f"{CATALOGUE}.damaged-") for path in shelf.glob(f"{CATALOGUE}.*-*"))


def test_a_whole_index_is_made_again_in_its_place(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    for _ in range(3):
        assert service.rebuild(tmp_path) == 0
    assert set_asides(tmp_path) == []
    assert caplog.text == ""
    assert (tmp_path / CATALOGUE).is_file()


def test_of_damaged_indexes_a_few_are_kept_and_a_folder_for_good(tmp_path: Path) -> None:
    (tmp_path / CATALOGUE).mkdir()
    (tmp_path / CATALOGUE / "letter.txt").write_text("somebody's")
    service.rebuild(tmp_path)
    for number in range(5):
        (tmp_path / CATALOGUE).write_bytes(b"%d, no database at all" % number * 100)
        service.rebuild(tmp_path)
    assert set_asides(tmp_path) == ["1", "4", "5", "6"]
    assert (tmp_path / f"{CATALOGUE}.damaged-6").read_bytes().startswith(b"4, no")
    assert (tmp_path / f"{CATALOGUE}.damaged-1" / "letter.txt").read_text() == "somebody's"


def test_an_index_from_the_future_is_set_aside_when_it_is_made_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    connection = sqlite3.connect(tmp_path / CATALOGUE)
    connection.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    connection.close()
    service.rebuild(tmp_path)
    assert set_asides(tmp_path) == ["1"]
    assert "newer sidekeep" in caplog.text


def test_an_index_with_a_write_ahead_log_is_led_out_of_it(tmp_path: Path) -> None:
    """Such a log needs one machine (sqlite.org, "Write-Ahead Logging"); a shelf may lie on a network drive."""
    with sqlite3.connect(tmp_path / CATALOGUE) as old:
        old.execute("PRAGMA journal_mode = WAL")
        with Catalogue(tmp_path) as catalogue:  # somebody else has it open that way
            assert catalogue.is_empty
    old.close()
    with Catalogue(tmp_path) as first, Catalogue(tmp_path) as second:
        assert first.is_empty
        assert second.is_empty
        assert not list(tmp_path.glob("*-wal"))
        assert second._db.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_a_copy_of_a_records_folder_does_not_take_its_place(
    tmp_path: Path, sleeve: Path, caplog: pytest.LogCaptureFixture
) -> None:
    shelf = tmp_path / "shelf"
    record = service.plan_record(shelf, sleeve).path
    for name in ("A copy of it", f"{record.name} - Copy"):
        shutil.copytree(record, shelf / name)
    assert service.rebuild(shelf) == 3
    assert [entry.folder for entry in service.list_records(shelf)] == [record.name]
    assert caplog.text.count("is it a copy of its folder?") == 2
    told = {checked.place.name: checked.result for checked in verify(shelf, []) if checked.result.faults}
    assert sorted(told) == ["A copy of it", f"{record.name} - Copy"]
    assert f"it has the id of '{record.name}'" in told["A copy of it"].faults[0]


def test_a_take_is_closed_on_a_disk_that_keeps_no_permissions(
    tmp_path: Path, sleeve: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a FAT disk of somebody else's does: the take was never closed there."""

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "chmod", refused)
    adopt(
        [recording(tmp_path / "side-A.wav")], shelf=tmp_path / "shelf", sleeve_path=sleeve, side_letters=["A"]
    )
    (entry,) = service.list_records(tmp_path / "shelf")
    assert entry.state == "partly taken"


def test_names_that_are_one_on_another_disk_are_told_apart_and_texts_that_mean_one_record_are_one(
    tmp_path: Path,
) -> None:
    """A shelf may move to a disk that does not tell capitals apart, nor two ways to write an accent."""
    shelf = tmp_path / "shelf"
    names = []
    for at, title in enumerate(("Gr\u00fc\u00dfe", "GR\u00dcSSE", "Gru\u0308\u00dfe")):
        text = tmp_path / f"{at}.txt"
        text.write_text(f"The Wicker Boats - {title}\nA1 Lamp Oil 3:45\n", "utf-8")
        if at == 1:
            assert service.planned_before(shelf, text) is not None
        names.append(service.plan_record(shelf, text).path.name)
    assert len({unicodedata.normalize("NFC", name).casefold() for name in names}) == 3


def test_a_record_may_be_called_by_a_picture(tmp_path: Path) -> None:
    text = tmp_path / "sleeve.txt"
    text.write_text("\U0001f6a4 - \u2693\ufe0f\nA1 \U0001f30a 1:00\n", "utf-8")
    folder = service.plan_record(tmp_path / "shelf", text)
    assert folder.record().artist == "\U0001f6a4"


@pytest.mark.parametrize(
    ("words", "is_found"),
    [
        ("Gr\u00fc\u00dfe", True),
        ("gr\u00fcsse", True),
        ("GR\u00dcSSE", True),
        ("grusse", True),
        ("gruss", True),
        ("russe", False),  # beginnings count
        ("\u57e0\u982d", True),  # in the middle of a name without spaces
        ("\u9727 gr\u00fcsse", True),
        ("\u697d\u5668", False),
        ("\U0001f30a", True),
        ("\U0001f525", False),
        ("kai's", False),
        ("...", False),
    ],
)
def test_found_by_any_script(tmp_path: Path, words: str, is_found: bool) -> None:
    """Looked for as a keyboard allows it."""
    text = "\u9727\u306e\u57e0\u982d\u697d\u56e3 - Gr\u00fc\u00dfe vom Kai \U0001f30a (1971)\nSide A\nA1 Tau 3:00\n"
    folder = service.plan_sleeve(tmp_path / "shelf", text)
    with Catalogue(tmp_path / "shelf") as catalogue:
        catalogue.put(folder)
        assert bool(catalogue.entries(words)) is is_found


def test_a_new_index_is_made_once_by_several_that_open_it_at_the_same_time(
    tmp_path: Path,
) -> None:
    """One sees the empty file, and is held up until another has made the tables: nothing is damaged by that."""
    path = tmp_path / "shelf.sqlite"
    slow = sqlite3.connect(path, isolation_level=None)
    seen: list[str] = []

    def other_is_faster(statement: str) -> None:
        if statement.startswith("BEGIN") and not seen:
            seen.append(statement)
            with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as fast:
                migrate(fast)

    class Watched:
        def execute(self, statement: str) -> sqlite3.Cursor:
            other_is_faster(statement)
            return slow.execute(statement)

    with contextlib.closing(slow):
        migrate(Watched())  # type: ignore[arg-type]
        assert seen
        assert slow.execute("PRAGMA user_version").fetchone() == (len(STEPS),)
        assert slow.execute("SELECT count(*) FROM record").fetchone() == (0,)
        assert not slow.in_transaction


@pytest.mark.parametrize("opens", [service.list_records, service.rebuild], ids=["filled", "made again"])
def test_a_record_put_while_the_index_is_filled_stays_in_it(
    opens: Callable[[Path], object], tmp_path: Path, sleeve: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three devices look at a new shelf as its first record is planned: who fills the index then forgets nothing."""
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    begin = Catalogue._transaction
    planned: list[str] = []

    def other_is_faster(self: Catalogue) -> AbstractContextManager[sqlite3.Connection]:
        monkeypatch.setattr(Catalogue, "_transaction", begin)
        planned.append(service.plan_record(shelf, sleeve).record_id)
        return begin(self)

    monkeypatch.setattr(Catalogue, "_transaction", other_is_faster)
    opens(shelf)
    monkeypatch.undo()
    with Catalogue(shelf) as catalogue:
        assert [entry.record_id for entry in catalogue.entries()] == planned
