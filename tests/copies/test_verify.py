"""Verifying: every harm is found and named, a stopped pass goes on, a flipped bit among many files is seen."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from sidekeep.copies.kept import checking
from sidekeep.copies.kept.manifest import write_manifest
from sidekeep.copies.kept.verify import check_sums, verify_folder
from sidekeep.errors import Cancelled, CopyError
from sidekeep.files.reading.own_sum import flac_md5_matches
from tests.copies.feeder import Feeder

FOLDER = "The Wicker Boats - Tallow Wharf Almanac (1971)"


@pytest.fixture
def many(tmp_path: Path) -> Path:
    """Two thousand small files in two hundred folders, under two manifests."""
    for half in range(2):
        root = tmp_path / f"record {half}"
        sums = {}
        for index in range(1000):
            path = f"{index % 100:02d}/{index:04d}.bin"
            (root / path).parent.mkdir(parents=True, exist_ok=True)
            content = hashlib.sha256(f"{half} {index}".encode()).digest() * 40
            (root / path).write_bytes(content)
            sums[path] = hashlib.sha256(content).hexdigest()
        write_manifest(root, sums)
    return tmp_path


def flip(path: Path, place: int = 100) -> None:
    data = bytearray(path.read_bytes())
    data[place] ^= 1
    path.write_bytes(data)


def test_one_flipped_bit_among_many_is_found(many: Path) -> None:
    assert verify_folder(many) == checking.VerifyResult(checked_files=2000, checked_bytes=2000 * 1280)
    flip(many / "record 1" / "42" / "0742.bin")
    (many / "record 0" / "07" / "0507.bin").unlink()
    (many / "record 0" / "07" / "note.txt").write_text("hello", "utf-8")
    result = verify_folder(many)
    assert not result.ok
    assert result.changed == ("record 1/42/0742.bin",)
    assert result.missing == ("record 0/07/0507.bin",)
    assert result.extra == ("record 0/07/note.txt",)
    assert result.checked_files == 1998


def test_what_systems_leave_in_folders_is_not_told(many: Path) -> None:
    """Common practice, no source: what file managers of two systems write beside whatever is looked at."""
    for name in (".DS_Store", "._01.flac", "Thumbs.db", "desktop.ini", "thumbs.txt"):
        (many / "record 0" / "07" / name).write_bytes(b"x" * 100)
    result = verify_folder(many)
    assert result.extra == ("record 0/07/thumbs.txt",)
    assert result.ok


def test_an_extra_file_does_no_harm(many: Path) -> None:
    (many / "record 0" / "note.txt").write_text("hello", "utf-8")
    assert verify_folder(many).ok


def test_a_stopped_pass_goes_on_where_it_was(many: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    note = many / "pass.txt"
    read: list[str] = []
    real = checking.file_digest

    def counted(path: str, algorithm: str) -> str:
        read.append(path)
        return real(path, algorithm)

    monkeypatch.setattr(checking, "file_digest", counted)

    def stop(share: float, doing: str = "") -> None:
        if share > 0.3:
            raise Cancelled("stopped")

    flip(many / "record 0" / "00" / "0000.bin")
    with pytest.raises(Cancelled):
        verify_folder(many, stop, resume_path=note)
    done = len(note.read_text("utf-8").splitlines())
    assert done > 200
    read.clear()
    result = verify_folder(many, resume_path=note)
    assert len(read) == 2000 - done
    assert result.changed == ("record 0/00/0000.bin",)
    assert result.checked_files == 1999
    assert not note.exists()
    read.clear()
    verify_folder(many, resume_path=note)
    assert len(read) == 2000


def test_a_file_changed_after_it_was_noted_is_read_again(many: Path) -> None:
    note = many / "pass.txt"

    def stop(share: float, doing: str = "") -> None:
        if share > 0.4:
            raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        verify_folder(many, stop, resume_path=note)
    first = note.read_text("utf-8").splitlines()[0].split(" ", 4)[4]
    flip(many / first)
    assert verify_folder(many, resume_path=note).changed == (first,)


def test_progress_rises_to_one(many: Path) -> None:
    shares: list[float] = []
    verify_folder(many, lambda share, doing="": shares.append(share))
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_copies_of_a_record(tmp_path: Path) -> None:
    Feeder(tmp_path).copies("lossless,portable,cd")
    folder = tmp_path / FOLDER
    assert verify_folder(tmp_path).ok
    assert verify_folder(folder, decode_flac=True).ok
    flip(folder / "cd" / "01 Lamp Oil - Grusse - Tide Table.wav", 5_000)
    result = verify_folder(tmp_path)
    assert result.changed == (f"{FOLDER}/cd/01 Lamp Oil - Grusse - Tide Table.wav",)


def test_flac_files_carry_their_own_proof(tmp_path: Path) -> None:
    Feeder(tmp_path).copies("lossless,side")
    folder = tmp_path / FOLDER
    path = folder / "lossless" / "01 Lamp Oil.flac"
    assert flac_md5_matches(path)
    (folder / "stray.flac").write_bytes(path.read_bytes())
    result = verify_folder(folder)
    assert result.ok
    assert result.extra == ("stray.flac",)
    flip(folder / "stray.flac", -3_000)
    assert verify_folder(folder).changed == ("stray.flac",)
    flip(folder / "stray.flac", 30)  # in the MD5 itself
    assert not flac_md5_matches(folder / "stray.flac")
    assert not flac_md5_matches(folder / "none.flac")


def test_sums_from_elsewhere(tmp_path: Path) -> None:
    (tmp_path / "take.wav").write_bytes(b"abc")
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4 example
    assert check_sums(tmp_path, {"take.wav": abc}).ok
    assert check_sums(tmp_path, {"take.wav": abc[::-1], "gone.wav": abc}) == checking.VerifyResult(
        checked_files=0, checked_bytes=0, changed=("take.wav",), missing=("gone.wav",)
    )


def test_a_folder_in_place_of_a_file_is_unreadable(tmp_path: Path) -> None:
    (tmp_path / "take.wav").mkdir()
    assert check_sums(tmp_path, {"take.wav": "0" * 64}).unreadable == ("take.wav",)


def test_nothing_to_verify_by_is_told(tmp_path: Path) -> None:
    with pytest.raises(CopyError, match="nothing to verify it against"):
        verify_folder(tmp_path)
    with pytest.raises(CopyError, match="there is no folder"):
        verify_folder(tmp_path / "none")
    (tmp_path / "file").write_text("x")
    with pytest.raises(CopyError, match="is not a folder"):
        verify_folder(tmp_path / "file")
