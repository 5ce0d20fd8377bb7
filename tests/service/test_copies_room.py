"""Room for copies is asked for before the record is listened to."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.copies.kinds.table import KINDS
from sidekeep.copies.plan.room import TakeForm, room_needed
from sidekeep.errors import ShelfError
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.transfers.copies import copy_record
from sidekeep.service.transfers.copies_room import refuse_no_room, usual_bytes
from sidekeep.service.transfers.transferred import TransferOptions
from sidekeep.shelf.record_folder import RecordFolder

FORM = TakeForm(length_s=1200.0, rate_hz=96_000, bits=24, channels=2, size_bytes=691_200_000)


@pytest.mark.parametrize(
    ("kind", "bytes_needed"),
    [
        ("portable", 1200 * 320_000 // 8),  # its bit rate
        ("wav", 1200 * 96_000 * 2 * 3),  # its samples
        ("cd", 1200 * 44_100 * 2 * 2),  # IEC 60908: 44.1 kHz, 16 bits, two channels
        ("master", 691_200_000),  # the takes as they are
    ],
)
def test_what_a_kind_needs_follows_from_its_form(kind: str, bytes_needed: int) -> None:
    needed = room_needed([KINDS[kind]], [FORM])
    assert needed.usual_bytes == bytes_needed
    assert needed.least_bytes <= bytes_needed


def test_at_least_so_much_is_needed() -> None:
    """Six tenths of a take are music, and no record packs to less than three tenths (common practice, no source)."""
    full = 1200 * 96_000 * 2 * 3
    (wav, flac, master) = (room_needed([KINDS[kind]], [FORM]) for kind in ("wav", "lossless", "master"))
    assert (wav.least_bytes, flac.least_bytes) == (round(0.6 * full), round(0.18 * full))
    assert flac.least_bytes < flac.usual_bytes < wav.usual_bytes
    assert master.least_bytes == master.usual_bytes
    both = room_needed([KINDS["wav"], KINDS["master"]], [FORM, FORM])
    assert both.least_bytes == 2 * (wav.least_bytes + master.least_bytes)


@pytest.fixture
def folder(tmp_path: Path) -> RecordFolder:
    (tmp_path / "sleeve.txt").write_text("Nan Okoro - Salt Tables (1970)\nSide A\nA1 Lamp 0:20\n")
    audio = np.random.default_rng(1).standard_normal((44_100 * 20, 2)) * 0.05
    soundfile.write(tmp_path / "a.wav", audio, 44_100, subtype="PCM_24")
    adopt([tmp_path / "a.wav"], shelf=tmp_path / "shelf", sleeve_path=tmp_path / "sleeve.txt")
    (place,) = (tmp_path / "shelf").glob("Nan Okoro*")
    return RecordFolder(place)


def test_a_full_disk_is_told_before_the_listening(
    folder: RecordFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(folder.path)._replace(free=1 << 20)
    monkeypatch.setattr("sidekeep.service.transfers.copies_room.shutil.disk_usage", lambda _: usage)
    monkeypatch.setattr("sidekeep.service.transfers.copies.survey_record", None)
    with pytest.raises(ShelfError, match="make room first"):
        copy_record(folder.path.parent, folder.path.name, options=TransferOptions(kinds=["lossless", "wav"]))


def test_what_is_there_needs_no_room_again(folder: RecordFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(folder.path)._replace(free=1 << 20)
    monkeypatch.setattr("sidekeep.service.transfers.copies_room.shutil.disk_usage", lambda _: usage)
    settings = TransferOptions(kinds=["wav"]).recipe.copies
    takes = folder.chosen_takes()
    with pytest.raises(ShelfError):
        refuse_no_room(folder, takes, ["wav"], settings)
    (folder.path / "copies" / "Salt Tables" / "wav").mkdir(parents=True)
    refuse_no_room(folder, takes, ["wav"], settings)
    assert usual_bytes(takes, settings)["wav"] == 20 * 44_100 * 2 * 3
