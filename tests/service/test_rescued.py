"""A take that had to be written elsewhere is brought home by the next start, once there is room."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from sidekeep.devices.recorder import RecorderEvent, RecorderSettings
from sidekeep.devices.take_keeper import RESERVE_BYTES
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.service.recording import room as rooms
from sidekeep.service.recording.room import Room, bring_home
from sidekeep.service.recording.take_close import recover
from sidekeep.service.take_findings import take_findings
from sidekeep.shelf.record_folder import RecordFolder
from tests.service.scripted_evening import ScriptedEvening, ScriptedInput

SLEEVE = "Nan Okoro - Salt Tables (1970)\nSide A\nA1 Lamp 0:02\n"
FORM = RecorderSettings(rate_hz=8_000, channels=2, bits=24)


def record_on(shelf: Path, name: str = "a record") -> RecordFolder:
    return RecordFolder.create(shelf / name, sleeve=SLEEVE)


def recorded_elsewhere(room: Room, frames: int = 8_000, *, is_closed: bool = True) -> Path:
    """A take of side A in the next safe place, as the capture writes it there."""
    path = room.places()[1] / "A-1" / "take.wav"
    path.parent.mkdir(parents=True)
    writer = TakeWriter(path, rate_hz=8_000, channels=2, bits=24)
    writer.append(np.arange(2 * frames, dtype=np.int32).reshape(-1, 2))
    if is_closed:
        writer.close()
    else:
        writer.sync()
    room.note_home(path.parent, "A", goes_on=not is_closed)
    (path.parent / ".room-for-closing").write_bytes(
        bytes(RESERVE_BYTES)
    )  # as a capture that was killed leaves it
    return path


def test_of_a_capture_that_was_killed_no_reserve_stays_beside_its_take(tmp_path: Path) -> None:
    """A megabyte for every evening that ended so."""
    folder = record_on(tmp_path / "shelf")
    path = folder.new_take_folder("A") / "take.wav"
    writer = TakeWriter(path, rate_hz=8_000, channels=2, bits=24)
    writer.append(np.arange(200, dtype=np.int32).reshape(-1, 2))
    writer.sync()
    path.with_name(".room-for-closing").write_bytes(bytes(RESERVE_BYTES))
    assert [take.folder for take in recover(tmp_path / "shelf")] == ["takes/A-1"]
    assert sorted(each.name for each in path.parent.iterdir()) == ["take.json", "take.wav"]


@pytest.mark.parametrize("is_closed", [True, False])
def test_the_next_start_brings_home_what_had_to_stay_elsewhere(is_closed: bool, tmp_path: Path) -> None:
    folder, other = record_on(tmp_path / "shelf"), record_on(tmp_path / "other shelf")
    path = recorded_elsewhere(Room(folder.path, FORM), is_closed=is_closed)
    assert recover(other.path.parent) == []  # another shelf, another record
    folder.path.rename(folder.path.with_name("renamed"))
    (take,) = recover(tmp_path / "shelf")
    assert (take.folder, take.side, take.length_frames) == ("takes/A-1", "A", 8_000)
    # That its beginning is in another take is a finding of it ever after.
    assert [news.code for news in take.notes] == ["goes-on", "brought-home"][is_closed:]
    cut = [
        finding.kind for finding in take_findings(tmp_path / "shelf" / "renamed" / take.folder / "take.wav")
    ]
    assert cut == ["cut-short"][is_closed:]
    assert not path.parent.exists()
    assert recover(tmp_path / "shelf") == []


def test_on_the_same_disk_it_comes_home_without_a_second_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a FAT disk of 8 GB a second copy of the 4 GiB one file may have would find no room (limit: Microsoft, "File Systems")."""
    folder = record_on(tmp_path / "shelf")
    path = recorded_elsewhere(Room(folder.path, FORM))
    content = path.read_bytes()

    def no_room(source: Path, target: Path) -> None:
        raise OSError(28, "No space left on device", str(target))

    monkeypatch.setattr(rooms.shutil, "copyfile", no_room)
    home, news = bring_home(path, folder, "A")
    assert (news.code, home.read_bytes()) == ("brought-home", content)
    assert not path.parent.exists()


def test_where_the_disk_of_the_shelf_is_away_nothing_is_brought_to_where_it_was(tmp_path: Path) -> None:
    """It would be hidden under the disk when that is there again."""
    folder = record_on(tmp_path / "shelf")
    path = recorded_elsewhere(Room(folder.path, FORM))
    folder.path.parent.rename(tmp_path / "pulled")
    now, news = bring_home(path, folder, "A")
    assert (now, news.code) == (path, "left-at")
    assert not folder.path.parent.exists()
    (tmp_path / "pulled").rename(folder.path.parent)
    assert [take.folder for take in recover(folder.path.parent)] == ["takes/A-1"]


def test_what_cannot_come_home_yet_stays_and_leaves_no_empty_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = record_on(tmp_path / "shelf")
    path = recorded_elsewhere(Room(folder.path, FORM))

    def is_full(source: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as context:
        context.setattr(rooms.shutil, "copyfile", is_full)
        context.setattr(rooms, "_moved", lambda path, target: False)  # on another disk
        assert bring_home(path, folder, "A")[1].code == "left-at"
        assert recover(tmp_path / "shelf") == []
    assert path.is_file()
    assert list((folder.path / "takes").iterdir()) == []
    assert len(recover(tmp_path / "shelf")) == 1


def test_a_side_that_went_on_elsewhere_comes_home_and_its_beginning_is_a_take_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk was full at 60 s, and had room again when the needle was lifted."""
    block = ScriptedInput.block
    moved: list[int] = []

    def and_move(self: ScriptedInput, start: int, stop: int) -> Iterator[RecorderEvent]:
        if start >= 60 * 8_000 and self._writer is not None and not moved:
            moved.append(start)
            self._writer.close()
            self._start, path = start, tmp_path / "rescued" / "A-1" / "take.wav"
            path.parent.mkdir(parents=True)
            self._writer = TakeWriter(path, rate_hz=8_000, channels=2, bits=24)
            facts = {"path": str(path), "start_frame": start, "frames": 0}
            self._waiting.append(RecorderEvent(kind="begun", facts=facts))
        yield from block(self, start, stop)

    monkeypatch.setattr(ScriptedInput, "block", and_move)
    steps = [("idle", 20.0), ("side", 1, 100.0), ("idle", 30.0)]
    evening = ScriptedEvening(tmp_path, steps, sides="A").run(monkeypatch)
    beginning, rest = sorted(evening.folder.takes(), key=lambda take: take.folder)
    assert (beginning.folder, rest.folder) == ("takes/A-1", "takes/A-2")
    assert beginning.length_frames + (20 - 4) * 8_000 == moved[0]
    assert beginning.length_frames + rest.length_frames >= 104 * 8_000
    assert [note.code for note in beginning.notes] == ["unexpected-end"]
    assert [note.code for note in rest.notes] == ["goes-on", "brought-home"]
    assert [take.folder for take in evening.folder.chosen_takes()] == ["takes/A-2"]
    assert evening.folder.unfinished() == []


def test_a_record_that_was_renamed_meanwhile_is_found_by_its_id(tmp_path: Path) -> None:
    folder = RecordFolder.create(
        tmp_path / "Tides", sleeve="The Wicker Boats - Tides (1973)\nSide A\nA1 Neap\n"
    )
    room = Room(folder.path, FORM)
    assert room.here(folder).path == folder.path
    renamed = folder.path.rename(tmp_path / "Neap Tides")
    RecordFolder.create(tmp_path / "Another", sleeve="The Wicker Boats - Ebb (1975)\nSide A\nA1 Low\n")
    assert room.here(folder).path == renamed
    found, take = room.where_now(folder, folder.path / "takes" / "A-1" / "take.wav", "")
    assert (found.path, take) == (renamed, renamed / "takes" / "A-1" / "take.wav")
