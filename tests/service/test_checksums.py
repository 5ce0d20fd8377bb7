"""A take that is not what it was certifies nothing: no survey, no copies, no master, no adoption by it.

Each way of going wrong is tried on a shelf and on plain files; what is left (a bag, a backup) is named.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
import soundfile

from sidekeep.copies.kept.intact import reading_whole
from sidekeep.errors import AudioFileError, ChecksumError, ParameterError
from sidekeep.files.checksum import Tap, file_sha256
from sidekeep.files.reading.reader import open_source
from sidekeep.files.reading.witness import Witness
from sidekeep.service.mend import mend_file
from sidekeep.service.shelf import records as shelf_service
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.survey import survey_file
from sidekeep.service.transfers.copies import copy_record
from sidekeep.service.transfers.transfer import transfer
from sidekeep.service.transfers.transferred import TransferOptions
from tests.heard import heard_once
from tests.small_record import small_record


def flip(path: Path) -> None:
    """One bit of the sound, with the time of the file kept: as a disk does it."""
    before = path.stat()
    path.chmod(0o644)
    with path.open("r+b") as file:
        file.seek(before.st_size // 2)
        byte = file.read(1)
        file.seek(-1, os.SEEK_CUR)
        file.write(bytes([byte[0] ^ 1]))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with one record of two sides, surveyed, with a master."""
    folder = tmp_path_factory.mktemp("made")
    files, sleeve = small_record().write(folder)
    adopt(files, shelf=folder / "shelf", sleeve_path=sleeve)
    with heard_once():
        copy_record(folder / "shelf", "small hours", options=TransferOptions(kinds="master"))
    return folder / "shelf"


@pytest.fixture
def shelf(made: Path, tmp_path: Path) -> Path:
    """A copy of that shelf to spoil."""
    shutil.copytree(made, tmp_path / "shelf")
    return tmp_path / "shelf"


def take_of(shelf: Path) -> Path:
    return shelf_service.find_record(shelf, "small hours").path / "takes" / "A-1" / "take.wav"


def copies_of(shelf: Path) -> Path:
    return shelf_service.find_record(shelf, "small hours").path / "copies"


@pytest.mark.parametrize("kinds", ["master", "lossless"])
@pytest.mark.parametrize("is_surveyed", [True, False])
def test_a_rotten_take_gives_no_copies(shelf: Path, kinds: str, is_surveyed: bool) -> None:
    flip(take_of(shelf))
    shutil.rmtree(copies_of(shelf))
    if not is_surveyed:
        shutil.rmtree(take_of(shelf).parent / "surveys")
    with pytest.raises(ChecksumError, match=r"A-1/take\.wav is not what it was.*backup"):
        copy_record(shelf, "small hours", options=TransferOptions(kinds=kinds))
    assert not list(shelf.rglob("copies/*/*"))


def test_a_bag_that_still_holds_it_is_offered(shelf: Path) -> None:
    flip(take_of(shelf))
    with pytest.raises(ChecksumError, match=r"master/data/takes/side A\.wav still holds its sound"):
        copy_record(shelf, "small hours", options=TransferOptions(kinds="lossless"))
    # A bag that is rotten too is not.
    flip(next(copies_of(shelf).glob("*/master/data/takes/side A.wav")))
    with pytest.raises(ChecksumError, match="backup"):
        copy_record(shelf, "small hours", options=TransferOptions(kinds="lossless"))


def test_a_good_bag_is_not_replaced_by_a_rotten_take(shelf: Path) -> None:
    flip(take_of(shelf))
    bag = next(copies_of(shelf).glob("*/master"))
    before = file_sha256(bag / "data" / "takes" / "side A.wav")
    sleeve = shelf_service.find_record(shelf, "small hours").path / "sleeve.txt"
    sleeve.write_text(sleeve.read_text().replace("Third Rail", "Third Rails"))
    with pytest.raises(ChecksumError):
        copy_record(shelf, "small hours", options=TransferOptions(kinds="master", replace=True))
    assert file_sha256(bag / "data" / "takes" / "side A.wav") == before


def test_survey_and_mend_of_a_rotten_take_stop(shelf: Path, tmp_path: Path) -> None:
    flip(take_of(shelf))
    with pytest.raises(ChecksumError, match="is not what it was"):
        survey_file([take_of(shelf)])
    with pytest.raises(ChecksumError, match="is not what it was"):
        mend_file(take_of(shelf), tmp_path / "mended.wav")
    assert not list(tmp_path.glob("mended*"))


def test_a_rotten_take_is_not_adopted_elsewhere(shelf: Path, tmp_path: Path) -> None:
    flip(take_of(shelf))
    with pytest.raises(ChecksumError, match="is not what it was"):
        adopt([take_of(shelf)], shelf=tmp_path / "other")


def test_nothing_is_moved_out_of_a_take_or_a_bag(shelf: Path, tmp_path: Path) -> None:
    bagged = next(copies_of(shelf).glob("*/master/data/takes/side A.wav"))
    for path, place in ((take_of(shelf), "a take"), (bagged, "a bag")):
        with pytest.raises(ParameterError, match=f"is {place}; bring in a copy"):
            adopt([path], shelf=tmp_path / "other", move=True)
        assert path.exists()


def test_an_original_that_grows_while_it_is_adopted_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sidekeep.shelf import adopt as room

    files, _ = small_record().write(tmp_path)
    real = room.file_sha256

    def grows(path: Path) -> str:
        with files[0].open("ab") as file:
            file.write(bytes(600))
        return real(path)

    monkeypatch.setattr(room, "file_sha256", grows)
    with pytest.raises(ChecksumError, match=r"side-A\.wav changed while"):
        adopt(files[:1], shelf=tmp_path / "shelf", move=True)
    assert files[0].exists()


@pytest.mark.parametrize("how", ["replaced", "grown", "rewritten with its time kept"])
def test_an_input_that_changes_between_the_passes_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    from sidekeep.service.transfers import transfer as room

    (tmp_path / "in").mkdir()
    files, sleeve = small_record().write(tmp_path / "in")
    real = room.write_record

    def meddled(*args: object, **kwargs: object) -> object:
        if how == "replaced":
            audio, rate_hz = soundfile.read(files[1])
            soundfile.write(tmp_path / "new.wav", audio[::-1], rate_hz, subtype="PCM_24")
            (tmp_path / "new.wav").replace(files[0])
        elif how == "grown":
            with files[0].open("ab") as file:
                file.write(bytes(600))
        else:
            flip(files[0])
        return real(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(room, "write_record", meddled)
    with heard_once(), pytest.raises(ChecksumError, match=r"side-A\.wav"):
        transfer(files, out_dir=tmp_path / "out", sleeve_path=sleeve)
    assert not list((tmp_path / "out").rglob("*.flac"))


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_the_checksum_taken_while_reading_is_the_files(tmp_path: Path, suffix: str) -> None:
    """In order, with gaps, with a span read twice: the checksum is that of a checksum tool over the file."""
    path = tmp_path / f"x.{suffix}"
    soundfile.write(path, small_record().a.audio[:100_000], 44_100, subtype="PCM_24")
    with path.open("ab") as file:
        file.write(b"LIST\x04\x00\x00\x00INFO" if suffix == "wav" else b"")
    source = open_source(path)
    for spans in (
        [(0, 100_000)],
        [(30_000, 40_000), (70_001, 70_002)],
        [(50_000, 60_000), (20_000, 55_000)],
        [],
    ):
        with Witness(source) as witness:
            for start, stop in spans:
                for _ in source.blocks(7_919, start, stop):
                    pass
            assert witness.changed() is None
            assert witness.finish() == (file_sha256(path),)


def test_a_recording_without_a_checksum_is_watched_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, small_record().a.audio[:100_000], 44_100, subtype="PCM_24")
    source = open_source(path)
    with Witness(source, takes_sums=False) as witness:
        for _ in source.blocks(65_536):
            pass
        assert witness.finish() == ()
        with path.open("ab") as file:
            file.write(bytes(600))
        assert witness.changed() == 0


@pytest.mark.parametrize("known", [True, False])
def test_a_take_that_is_not_what_it_was_is_not_mended(tmp_path: Path, known: bool) -> None:
    """What lies on no shelf has no checksum that it could differ from."""
    (tmp_path / "take").mkdir()
    files, _ = small_record().write(tmp_path / "take")
    if known:
        facts = {"files": [{"name": files[0].name, "sha256": file_sha256(files[0])}]}
        (tmp_path / "take" / "take.json").write_text(json.dumps(facts))
    mend_file(files[0], tmp_path / "sound.wav")
    flip(files[0])
    if known:
        with pytest.raises(ChecksumError, match=r"side-A\.wav"):
            mend_file(files[0], tmp_path / "out.wav")
    else:
        mend_file(files[0], tmp_path / "out.wav")
    assert (tmp_path / "out.wav").exists() is not known


def test_a_disk_that_does_not_give_the_recording_is_one_line_and_another_trouble_is_its_own(
    tmp_path: Path,
) -> None:
    files, _ = small_record().write(tmp_path)
    source = open_source(files[0])
    with pytest.raises(AudioFileError) as caught, reading_whole(source, files[:1]):
        raise OSError(5, "Input/output error", str(files[0]))
    assert caught.value.code == "recording-unread"
    elsewhere = OSError(28, "No space left on device", str(tmp_path / "copy.flac"))
    with pytest.raises(OSError) as kept, reading_whole(source, files[:1]):
        raise elsewhere
    assert kept.value is elsewhere


def test_a_tap_reads_only_what_nobody_else_read(tmp_path: Path) -> None:
    path = tmp_path / "x.bin"
    path.write_bytes(bytes(range(256)) * 64)
    tap = Tap(path)
    read: list[int] = []

    class Counted:
        def __init__(self, file: object) -> None:
            self.file = file

        def read(self, size: int) -> bytes:
            data: bytes = self.file.read(size)  # type: ignore[attr-defined]
            read.append(len(data))
            return data

        def __getattr__(self, name: str) -> object:
            return getattr(self.file, name)

    tap._file = Counted(tap._file)  # type: ignore[assignment]
    content = memoryview(path.read_bytes())
    tap.saw(100, content[100:9_000])
    tap.saw(9_000, content[9_000:])
    assert tap.finish() == file_sha256(path)
    assert sum(read) == 100
