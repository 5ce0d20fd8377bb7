"""A take that had to be written elsewhere is brought home by the next start, once there is room."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sidekeep.devices.recorder import RecorderSettings
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.service.recording import room as rooms
from sidekeep.service.recording.room import Room, bring_home
from sidekeep.service.recording.take_close import recover
from sidekeep.service.take_findings import take_findings
from sidekeep.shelf.record_folder import RecordFolder

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
    return path


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


def test_what_cannot_come_home_yet_stays_and_leaves_no_empty_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = record_on(tmp_path / "shelf")
    path = recorded_elsewhere(Room(folder.path, FORM))

    def is_full(source: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as context:
        context.setattr(rooms.shutil, "copyfile", is_full)
        assert bring_home(path, folder, "A")[1].code == "left-at"
        assert recover(tmp_path / "shelf") == []
    assert path.is_file()
    assert list((folder.path / "takes").iterdir()) == []
    assert len(recover(tmp_path / "shelf")) == 1
