"""A disk that is full or read-only: whoever only reads goes on, a take is refused before the needle, nothing healthy is set aside."""

from __future__ import annotations

import contextlib
import os
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.cli.main import main
from sidekeep.devices.inputs import SoundInput
from sidekeep.errors import CopyError, ShelfError, SidekeepError
from sidekeep.files.atomic import work_folder
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.service.recording.take_close import recover
from sidekeep.service.recording.take_record import open_session
from sidekeep.service.shelf import records as service
from sidekeep.service.shelf.adopting import adopt
from sidekeep.shelf.index.index_faults import CATALOGUE
from sidekeep.shelf.record_folder import RecordFolder
from tests.outside import IS_ROOT, cannot_mount, mounted

SLEEVE = "Nan Okoro - Salt Tables (1970)\nSide A\nA1 Lamp 0:02\n"
INPUT = SoundInput(key="x", name="an input", channels=2, rate_hz=48_000, bits=24, device="x", source="")


def make_record(place: Path, files: Path) -> Path:
    """A shelf with one record of one take, verified once."""
    (files / "sleeve.txt").write_text(SLEEVE)
    audio = np.random.default_rng(1).standard_normal((44_100, 2)) * 0.05
    soundfile.write(files / "a.wav", audio, 44_100, subtype="PCM_24")
    adopt([files / "a.wav"], shelf=place / "shelf", sleeve_path=files / "sleeve.txt", stylus="fine line")
    return place / "shelf"


def fill(place: Path) -> None:
    with (place / "filling").open("wb", buffering=0) as file:
        try:
            while file.write(bytes(4096)) == 4096:
                pass
        except OSError:
            pass


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 4 MB."""
    place = tmp_path / "small"
    place.mkdir()
    with mounted(place, "size=4m"):
        yield place


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Callable[[Path], None]]:
    """Makes a folder read-only: with a mount for root, whom permissions do not bind, else by permissions."""
    done: list[Path] = []

    def make(place: Path) -> None:
        done.append(place)
        if not IS_ROOT:
            for path in sorted(place.rglob("*"), reverse=True):
                path.chmod(0o555 if path.is_dir() else 0o444)
            place.chmod(0o555)
            return
        if subprocess.run(["mount", "--bind", str(place), str(place)], capture_output=True).returncode:
            done.pop()
            cannot_mount()
        subprocess.run(["mount", "-o", "remount,ro,bind", str(place)], check=True)

    yield make
    for place in done:
        if IS_ROOT:
            subprocess.run(["umount", "-l", str(place)], check=False)
        else:
            place.chmod(0o755)
            for path in sorted(place.rglob("*")):
                path.chmod(0o755)


def assert_reads(shelf: Path, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture) -> None:
    """Shelf, list, verify and the log of styluses."""
    for words in (
        ["shelf"],
        ["shelf", "list", "salt"],
        ["shelf", "styluses"],
        ["verify"],
        ["verify", "salt"],
    ):
        capsys.readouterr()
        verb, *rest = words
        assert main([verb, "--shelf", str(shelf), *rest]) == 0, capsys.readouterr().err
        said = capsys.readouterr().out
        assert ("fine line" if "styluses" in words else "Salt Tables") in said
        if verb == "verify":
            assert "all right, 1 file," in said
    assert "is told but not kept" in caplog.text
    assert "damaged" not in caplog.text


def assert_no_take(shelf: Path, match: str) -> None:
    with (
        pytest.raises(SidekeepError, match=match),
        open_session(shelf, "salt", sides=("A",), sound_input=INPUT),
    ):
        raise AssertionError("a session was opened")


def test_a_full_disk(
    small_disk: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    shelf = make_record(small_disk, tmp_path)
    fill(small_disk)
    assert_reads(shelf, capsys, caplog)
    assert_no_take(shelf, "room for 0.0 min .* side A needs .* min")
    index = (shelf / CATALOGUE).read_bytes()
    with pytest.raises(ShelfError, match="the disk is full"):
        service.rebuild(shelf)
    assert (shelf / CATALOGUE).read_bytes() == index
    assert not list(shelf.glob("*.damaged-*"))
    (shelf / CATALOGUE).unlink()
    fill(small_disk)
    assert_reads(shelf, capsys, caplog)
    (small_disk / "filling").unlink()
    assert [entry.title for entry in service.list_records(shelf)] == ["Salt Tables"]


def test_a_disk_that_takes_no_more_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    """It has room, and says that it is full: many small files use up its list of files before its bytes."""
    (tmp_path / "many").mkdir()
    with mounted(tmp_path / "many", "size=64m,nr_inodes=60"):
        shelf = make_record(tmp_path / "many", tmp_path)
        (shelf / "others").mkdir()
        with contextlib.suppress(OSError):
            for number in range(60):
                (shelf / "others" / f"{number}").write_bytes(b"")
        assert_reads(shelf, capsys, caplog)
        assert main(["mend", str(tmp_path / "a.wav"), str(shelf / "b.wav")]) == 2
        told = capsys.readouterr().err
        assert "takes no more files" in told
        assert ".part" not in told
        with pytest.raises(CopyError) as caught, work_folder(shelf):
            pass
        assert caught.value.code == "no-more-files"
        assert caught.value.facts["path"] == str(shelf)
        assert not list(shelf.rglob("*.part"))


@pytest.mark.parametrize("has_index", [True, False])
def test_a_read_only_disk(
    has_index: bool,
    read_only: Callable[[Path], None],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    (tmp_path / "disk").mkdir()
    shelf = make_record(tmp_path / "disk", tmp_path)
    if not has_index:
        (shelf / CATALOGUE).unlink()
    read_only(shelf)
    assert_reads(shelf, capsys, caplog)
    assert_no_take(shelf, "read-only|not permitted")


def test_an_index_that_was_broken_off_while_it_was_made_is_made_again(tmp_path: Path) -> None:
    from sidekeep.shelf.index.catalogue import Catalogue

    shelf = make_record(tmp_path, tmp_path)
    (shelf / CATALOGUE).unlink()
    Catalogue(shelf).close()  # tables, and nothing in them
    assert [entry.title for entry in service.list_records(shelf)] == ["Salt Tables"]


def test_a_take_made_read_only_before_its_facts_is_repaired_by_an_ordinary_user() -> None:
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        place.chmod(0o755)
        folder = RecordFolder.create(place / "shelf" / "a record", sleeve=SLEEVE)
        path = folder.new_take_folder("A") / "take.wav"
        writer = TakeWriter(path, rate_hz=8_000, channels=2, bits=24)
        writer.append(np.arange(16_000, dtype=np.int32).reshape(-1, 2))
        writer.close()
        path.chmod(0o444)
        if IS_ROOT:
            for each in (place, *place.rglob("*")):
                os.chown(each, 65534, 65534)
            os.seteuid(65534)
        try:
            (take,) = recover(place / "shelf")
        finally:
            if IS_ROOT:
                os.seteuid(0)
        assert take.length_frames == 8_000
        assert (path.parent / "take.json").is_file()
        assert path.stat().st_mode & 0o222 == 0
