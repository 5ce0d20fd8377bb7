"""Putting recordings on a shelf twice changes nothing the second time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.errors import ParameterError
from sidekeep.service.choices.edits import apply
from sidekeep.service.shelf.on_shelf import put_on_shelf
from sidekeep.shelf.art import art_files
from sidekeep.shelf.index.catalogue import record_folders

SLEEVE = "Nan Okoro - Salt Hours (1979)\nSide A\nA1 Lamp Oil 0:01\nSide B\nB1 Rope Walk 0:01\n"
RATE_HZ = 44_100


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    (tmp_path / "sleeve.txt").write_text(SLEEVE)
    (tmp_path / "cover.png").write_bytes(b"picture")
    rng = np.random.default_rng(3)
    paths = [tmp_path / f"side-{letter}.wav" for letter in "AB"]
    for path in paths:
        soundfile.write(path, rng.normal(0.0, 0.1, (RATE_HZ, 2)), RATE_HZ, subtype="PCM_16")
    return paths


def put(files: list[Path], tmp_path: Path, letters: str = "AB") -> Path:
    return put_on_shelf(
        files,
        letters,
        shelf=tmp_path / "shelf",
        sleeve_path=tmp_path / "sleeve.txt",
        picture_path=tmp_path / "cover.png",
    ).path


def test_the_second_time_finds_the_record_and_its_takes(files: list[Path], tmp_path: Path) -> None:
    first = put(files, tmp_path)
    (folder,) = record_folders(tmp_path / "shelf")
    apply(folder, {"kind": "notes", "text": "kept"})
    assert put(files, tmp_path) == first
    (folder,) = record_folders(tmp_path / "shelf")
    assert sorted(take.folder_name for take in folder.takes()) == ["A-1", "B-1"]
    assert folder.facts()["notes"] == "kept"
    assert art_files(first)["front"].read_bytes() == b"picture"


def test_what_was_interrupted_goes_on_where_it_stopped(files: list[Path], tmp_path: Path) -> None:
    put(files[:1], tmp_path, "A")
    folder = put(files, tmp_path)
    assert sorted(path.name for path in (folder / "takes").iterdir()) == ["A-1", "B-1"]


def test_a_side_without_a_recording_is_refused_before_anything_is_made(
    files: list[Path], tmp_path: Path
) -> None:
    with pytest.raises(ParameterError, match="recordings: 1, sides: 2"):
        put(files[:1], tmp_path)
    assert not (tmp_path / "shelf").exists()
