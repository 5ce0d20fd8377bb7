"""Verify says what it did not check: whatever is deleted, emptied or left half, the answer is never "all right"."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
import unicodedata
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.cli.main import main
from sidekeep.copies.kept.history import HISTORY_NAME
from sidekeep.copies.kept.manifest import MANIFEST_NAME, add_to_manifest
from sidekeep.errors import ShelfError
from sidekeep.files.atomic import part_path
from sidekeep.service.shelf import records as shelf_service
from sidekeep.service.shelf import verify as verifying
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.shelf.verify import RESUME
from sidekeep.service.transfers.copies import copy_record
from sidekeep.service.transfers.transferred import TransferOptions
from sidekeep.shelf.choices.choices import change_choices, read_history
from sidekeep.shelf.record_folder import RecordFolder
from tests.small_record import SLEEVE, small_record


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with one record: side A taken as WAV, side B as FLAC, copies and master made."""
    folder = tmp_path_factory.mktemp("made")
    record = small_record()
    soundfile.write(folder / "side-A.wav", record.a.audio, 44_100, subtype="PCM_24")
    soundfile.write(folder / "side-B.flac", record.b.audio, 44_100, subtype="PCM_24")
    (folder / "sleeve.txt").write_text(SLEEVE)
    shelf = folder / "shelf"
    adopt([folder / "side-A.wav", folder / "side-B.flac"], shelf=shelf, sleeve_path=folder / "sleeve.txt")
    copy_record(shelf, "small hours", options=TransferOptions(kinds="lossless,master"))
    return shelf


@pytest.fixture
def record(made: Path, tmp_path: Path) -> Path:
    """The folder of the record on a copy of that shelf."""
    shutil.copytree(made, tmp_path / "shelf")
    return shelf_service.find_record(tmp_path / "shelf", "small hours").path


def copies_of(record: Path) -> Path:
    return next(path for path in (record / "copies").iterdir() if path.is_dir())


def spoil_flac(path: Path) -> None:
    """Another MD5 in STREAMINFO: the sound is as it was, the file says it is not."""
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[30] ^= 0xFF
    path.write_bytes(data)


def no_take_json(record: Path) -> None:
    (record / "takes" / "A-1" / "take.json").unlink()


def no_sleeve(record: Path) -> None:
    (record / "sleeve.txt").unlink()


def a_record_that_did_not_come_along(record: Path) -> None:
    """As a folder that is synchronised leaves a file it has not brought yet."""
    (record / "record.toml").write_bytes(b"")


def a_history_that_did_not_come_along(record: Path) -> None:
    (record / "history.jsonl").write_bytes(b"")


def a_recipe_that_cannot_be_read(record: Path) -> None:
    (record / "recipe.toml").write_text("[level\n", "utf-8")


def no_take_json_and_a_flipped_byte(record: Path) -> None:
    no_take_json(record)
    take = record / "takes" / "A-1" / "take.wav"
    take.chmod(0o644)
    data = bytearray(take.read_bytes())
    data[len(data) // 2] ^= 1
    take.write_bytes(data)


def torn_take_json(record: Path) -> None:
    (record / "takes" / "A-1" / "take.json").write_text("{", "utf-8")


def take_json_that_agrees_with_another_sound(record: Path) -> None:
    path = record / "takes" / "A-1" / "take.json"
    facts = json.loads(path.read_text("utf-8"))
    facts["files"][0]["sha256"] = "0" * 64
    path.write_text(json.dumps(facts), "utf-8")


def no_take_folder(record: Path) -> None:
    shutil.rmtree(record / "takes" / "B-1")


def no_takes(record: Path) -> None:
    shutil.rmtree(record / "takes")


def no_manifest(record: Path) -> None:
    (copies_of(record) / MANIFEST_NAME).unlink()


def no_manifest_and_no_history(record: Path) -> None:
    (copies_of(record) / MANIFEST_NAME).unlink()
    (copies_of(record) / HISTORY_NAME).unlink()
    shutil.rmtree(copies_of(record) / "master")


def an_empty_manifest(record: Path) -> None:
    (copies_of(record) / MANIFEST_NAME).write_text("", "utf-8")


def a_manifest_with_a_line_less(record: Path) -> None:
    path = copies_of(record) / MANIFEST_NAME
    lines = [line for line in path.read_text("utf-8").splitlines(True) if "01 Dew" not in line]
    path.write_text("".join(lines), "utf-8")


def no_copies(record: Path) -> None:
    shutil.rmtree(copies_of(record))


def an_unfinished_master(record: Path) -> None:
    """As a copy program leaves it that was broken off: takes, and no word of a bag; no list speaks of it."""
    master = copies_of(record) / "master"
    for path in [each for each in master.iterdir() if each.is_file()]:
        path.unlink()
    for name in (MANIFEST_NAME,):
        path = copies_of(record) / name
        kept = [line for line in path.read_text("utf-8").splitlines(True) if "  master/" not in line]
        path.write_text("".join(kept), "utf-8")
    history = copies_of(record) / HISTORY_NAME
    value = json.loads(history.read_text("utf-8"))
    value["files"] = [entry for entry in value["files"] if entry["kind"] != "master"]
    history.write_text(json.dumps(value), "utf-8")
    add_to_manifest(copies_of(record), [HISTORY_NAME])


def a_take_that_was_never_closed(record: Path) -> None:
    place = record / "takes" / "A-2"
    place.mkdir()
    soundfile.write(place / "take.wav", np.zeros((4410, 2)), 44_100)


def what_an_interrupted_run_left(record: Path) -> None:
    (copies_of(record) / ".making").mkdir()


def a_manifest_that_rotted(record: Path) -> None:
    path = copies_of(record) / MANIFEST_NAME
    path.write_bytes(path.read_bytes()[:80] + bytes(8) + path.read_bytes()[88:])


def notes_of_checks_that_rotted(record: Path) -> None:
    (record / "checks.json").write_bytes(b'[{"ok": tr\xefe}]')


def a_history_of_another_encoding(record: Path) -> None:
    path = record / "history.jsonl"
    path.write_text(path.read_text("utf-8"), "utf-16")


def a_sleeve_with_a_hole(record: Path) -> None:
    path = record / "sleeve.txt"
    path.write_bytes(path.read_bytes() + bytes(1))


def a_take_called_otherwise(record: Path) -> None:
    (record / "takes" / "A-1").rename(record / "takes" / "A-1 old")


DEEDS = [
    (a_sleeve_with_a_hole, "is not a text file"),
    (a_take_called_otherwise, "takes/A-1 is called takes/A-1 old now"),
    (no_sleeve, "sleeve.txt is gone"),
    (a_record_that_did_not_come_along, "record.toml is empty"),
    (a_history_that_did_not_come_along, "history.jsonl is empty"),
    (a_recipe_that_cannot_be_read, "the recipe cannot be read"),
    (no_take_json, "has lost its take.json"),
    (no_take_json_and_a_flipped_byte, "changed: takes/A-1/take.wav"),
    (torn_take_json, "take.json"),
    (take_json_that_agrees_with_another_sound, "other checksums"),
    (no_take_folder, "takes/B-1 is gone"),
    (no_takes, "takes/A-1 is gone"),
    (no_manifest, "manifest-sha256.txt is gone"),
    (a_manifest_that_rotted, "the manifest is damaged"),
    (no_manifest_and_no_history, "nothing in it was checked"),
    (an_empty_manifest, "does not list"),
    (a_manifest_with_a_line_less, "does not list 1 file written"),
    (no_copies, "is gone"),
    (an_unfinished_master, "not a finished bag"),
    (a_take_that_was_never_closed, "takes/A-2 has no take.json"),
    (what_an_interrupted_run_left, "an interrupted run left"),
]


def test_a_shelf_may_be_named_like_any_folder(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It was told that there is nothing to verify it against."""
    assert main(["verify", str(record.parent)]) == 0
    assert "Small Hours (1987): all right" in capsys.readouterr().out


@pytest.mark.parametrize(("deed", "told"), DEEDS, ids=lambda each: getattr(each, "__name__", ""))
def test_what_is_gone_or_half_is_told(
    record: Path, deed: Callable[[Path], None], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    shelf = record.parent
    assert main(["verify", "--shelf", str(shelf)]) == 0
    assert ": all right" in capsys.readouterr().out
    deed(record)
    assert main(["verify", "--shelf", str(shelf)]) == 1
    said = capsys.readouterr().out
    assert told in said
    assert ": all right" not in said
    if deed is torn_take_json:  # it is there: told as one thing, not as two
        assert "has lost its take.json" not in said
    assert shelf_service.list_records(shelf)[0].state != "verified"
    # Asked again, it is not forgotten.
    assert main(["verify", "--shelf", str(shelf), "small hours"]) == 1


def test_accents_stored_apart_from_their_letters_are_no_other_files(
    record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a shelf comes back from a disk that stores them so: every such file was missing, and another was there."""
    copies = copies_of(record)
    flac = next(copies.rglob("01*.flac"))
    listed = copies / MANIFEST_NAME
    name = flac.name.replace("Dew", "D\u00e9w")
    listed.write_text(listed.read_text("utf-8").replace(flac.name, name), "utf-8")
    history = copies / HISTORY_NAME
    history.write_text(history.read_text("utf-8").replace(flac.name, name), "utf-8")
    add_to_manifest(copies, [HISTORY_NAME])
    flac.rename(flac.with_name(unicodedata.normalize("NFD", name)))
    capsys.readouterr()
    main(["verify", str(copies)])
    said = capsys.readouterr().out
    assert "missing" not in said
    assert "extra" not in said


def test_a_folder_of_copies_without_its_manifest_is_checked_by_the_history(
    record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    no_manifest(record)
    flac = next(copies_of(record).rglob("01*.flac"))
    data = bytearray(flac.read_bytes())
    data[-100] ^= 1
    flac.write_bytes(data)
    assert main(["verify", str(copies_of(record))]) == 1
    assert "changed: lossless/01" in capsys.readouterr().out


@pytest.mark.parametrize("where", ["take", "master"])
def test_decode_looks_into_every_flac(record: Path, where: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A FLAC whose own MD5 was wrong when its checksum was taken."""
    if where == "take":
        path = record / "takes" / "B-1" / "take.flac"
        spoil_flac(path)
        facts = record / "takes" / "B-1" / "take.json"
        from sidekeep.files.checksum import file_sha256

        old = json.loads(facts.read_text("utf-8"))["files"][0]["sha256"]
        for listed in (facts, record / "inventory.json"):
            listed.write_text(listed.read_text("utf-8").replace(old, file_sha256(path)), "utf-8")
        name = "takes/B-1/take.flac"
    else:
        path = next(copies_of(record).rglob("01*.flac"))
        spoil_flac(path)
        from sidekeep.files.checksum import file_sha256

        history = copies_of(record) / HISTORY_NAME
        value = json.loads(history.read_text("utf-8"))
        for entry in value["files"]:
            if entry["path"].endswith(path.name):
                entry["sha256"] = file_sha256(path)
        history.write_text(json.dumps(value), "utf-8")
        add_to_manifest(copies_of(record), [HISTORY_NAME, f"lossless/{path.name}"])
        name = path.name
    assert main(["verify", "--shelf", str(record.parent)]) == 0
    capsys.readouterr()
    assert main(["verify", "--shelf", str(record.parent), "--decode"]) == 1
    assert name in capsys.readouterr().out


@pytest.mark.parametrize("is_old", [True, False])
def test_a_progress_file_hides_no_flipped_byte(
    record: Path, is_old: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pass that was stopped left its note; then a byte changed and the time of the file stayed."""
    from sidekeep.copies.kept import checking as room

    take = record / "takes" / "A-1" / "take.wav"
    before = take.stat()
    monkeypatch.setattr(room.CheckPass, "complete", lambda self: None)
    assert main(["verify", "--shelf", str(record.parent)]) == 0
    monkeypatch.undo()
    note = record / RESUME
    assert note.exists()
    if is_old:
        # Rot: the disk gives other bytes and no time changes. Stood in for by a note that names the state now.
        text = note.read_text("utf-8")
    take.chmod(0o644)
    data = bytearray(take.read_bytes())
    data[len(data) // 2] ^= 1
    take.write_bytes(data)
    os.utime(take, ns=(before.st_atime_ns, before.st_mtime_ns))
    if is_old:
        note.write_text(text.replace(str(before.st_ctime_ns), str(take.stat().st_ctime_ns)), "utf-8")
        os.utime(note, (time.time() - 86_400, time.time() - 86_400))
    assert main(["verify", "--shelf", str(record.parent)]) == 1


def test_a_record_that_is_gone_is_told_and_listed_as_gone(
    record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shelf = record.parent
    shutil.rmtree(record)
    assert [entry.state for entry in shelf_service.list_records(shelf)] == ["gone"]
    assert shelf_service.list_records(shelf, state="copied") == []
    assert main(["verify", "--shelf", str(shelf)]) == 1
    assert "the record is gone" in capsys.readouterr().out
    assert main(["shelf", "--shelf", str(shelf), "rebuild"]) == 0
    assert shelf_service.list_records(shelf) == []


def test_copies_that_are_gone_are_not_listed_as_copied(record: Path) -> None:
    no_copies(record)
    assert shelf_service.list_records(record.parent)[0].state == "cut"


def test_making_the_index_again_accepts_what_is_there(record: Path) -> None:
    no_take_folder(record)
    assert main(["verify", "--shelf", str(record.parent)]) == 1
    assert main(["shelf", "--shelf", str(record.parent), "rebuild"]) == 0
    assert main(["verify", "--shelf", str(record.parent)]) == 0


def test_ok_of_the_json_is_what_the_exit_code_says(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Also where nothing is wrong and something could not be checked."""
    assert main(["verify", "--json", "--shelf", str(record.parent)]) == 0
    assert json.loads(capsys.readouterr().out)["ok"] is True
    other = record / "takes" / "C-1"
    other.mkdir()
    (other / "take.wav").write_bytes(b"nobody closed it")
    assert main(["verify", "--json", "--shelf", str(record.parent)]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["ok"] is False
    assert [place["ok"] for place in found["places"]] == [False]
    assert found["places"][0]["unchecked"]
    assert not any(found["places"][0][name] for name in ("changed", "missing", "unreadable", "faults"))


def test_what_killed_runs_left_in_a_record_goes_with_a_check(record: Path) -> None:
    """Also where nobody else would write ever again: in the folder of a take in the bin."""
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    (record / "takes" / ".bin").mkdir()
    (record / "takes" / "B-1").rename(record / "takes" / ".bin" / "B-1")
    mine = part_path(record / "takes" / ".bin" / "B-1" / "take.json")
    left = mine.with_name(mine.name.replace(f"-{os.getpid()}-", f"-{ended.pid}-"))
    left.write_text("{")
    mine.write_text("{")
    assert main(["verify", "--shelf", str(record.parent)]) == 0
    assert mine.exists()
    assert not left.exists()


@pytest.mark.parametrize(
    ("deed", "told"),
    [
        (a_history_of_another_encoding, "kept under another name and a new one begins"),
        (notes_of_checks_that_rotted, "checks.json cannot be read"),
    ],
)
def test_what_is_begun_anew_is_told_before(
    record: Path, deed: Callable[[Path], None], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", "--shelf", str(record.parent)]) == 0
    deed(record)
    assert main(["verify", "--shelf", str(record.parent)]) == 1
    assert told in capsys.readouterr().out
    assert main(["verify", "--shelf", str(record.parent)]) == 0


def test_what_drives_and_synchronising_put_beside_takes_is_no_fault(
    record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Folders of a network drive or a file manager, with a picture for every file, and the second copy of a take that a folder kept
    in step gets; marks that an editor puts in front of a text."""
    for place in (record, record / "takes"):
        for name in ("record.toml", "take.json", "take.wav"):
            (place / "@eaDir" / name).mkdir(parents=True)
        (place / "$RECYCLE.BIN").mkdir()
        (place / "$RECYCLE.BIN" / "desktop.ini").write_text("x")
    shutil.rmtree(record / "takes" / "@eaDir" / "take.json")
    shutil.rmtree(record / "takes" / "@eaDir" / "take.wav")
    shutil.copytree(record / "takes" / "A-1", record / "takes" / "A-1 (conflict copy)")
    for path in (record / "takes" / "A-1" / "take.json", record / "inventory.json", record / "history.jsonl"):
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    before = len(read_history(record))
    assert main(["verify", "--shelf", str(record.parent)]) == 0
    told = capsys.readouterr().out
    assert "extra: takes/A-1 (conflict copy)" in told
    assert "@eaDir" not in told
    assert len(read_history(record)) == before > 0


def test_an_empty_record_toml_is_not_written_to(record: Path) -> None:
    """It would be a record without its id, and look whole."""
    (record / "record.toml").write_bytes(b"")
    with pytest.raises(ShelfError, match=r"record.toml is empty"):
        change_choices(record, "choose-take", {}, lambda state: {**state, "record/use.A": 1})
    assert (record / "record.toml").read_bytes() == b""


def test_a_take_in_the_bin_is_not_missed(record: Path) -> None:
    (record / "takes" / ".bin").mkdir()
    (record / "takes" / "B-1").rename(record / "takes" / ".bin" / "B-1")
    assert main(["verify", "--shelf", str(record.parent)]) == 0


def test_what_is_verified_stays_so_by_what_was_read_and_not_by_any_clock(record: Path) -> None:
    """Times come along or not when a folder is copied, FAT keeps them to 2 s (Microsoft, "FAT: General Overview of On-Disk
    Format"), and clocks are set back."""
    assert main(["verify", str(record), "--shelf", str(record.parent)]) == 0
    manifest = copies_of(record) / MANIFEST_NAME
    for checked_s, listed_s in ((1e9, 2e9), (2e9, 1e9)):
        os.utime(record / "checks.json", (checked_s, checked_s))
        os.utime(manifest, (listed_s, listed_s))
        assert RecordFolder(record).state() == "verified"
    before = manifest.read_text()
    manifest.write_text(before + f"{'0' * 64}  lossless/new.flac\n")
    os.utime(manifest, (1e9, 1e9))
    assert RecordFolder(record).state() == "copied"
    manifest.write_text(before)
    assert RecordFolder(record).state() == "verified"
    shutil.copytree(record / "takes" / "B-1", record / "takes" / "B-2")
    assert RecordFolder(record).state() == "copied"


def test_one_torn_list_does_not_keep_the_other_records_from_being_checked(
    record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The record's own files are still checked by the history, and so is the rest of the shelf."""
    other = record.parent / "Z other"
    shutil.copytree(record, other)
    (other / "record.toml").write_text('id = "another"\n')
    manifest = copies_of(record) / MANIFEST_NAME
    manifest.write_text("\0" + manifest.read_text()[1:])
    track = min(copies_of(record).glob("lossless/*.flac"))
    track.write_bytes(track.read_bytes()[:-1])
    assert main(["verify", "--shelf", str(record.parent)]) == 1
    told = capsys.readouterr().out
    assert "line 1 is not a checksum" in told
    assert f"changed: {track.relative_to(record).as_posix()}" in told
    assert f"{other}: all right" in told


def test_what_breaks_the_check_of_one_record_is_told_of_that_record(
    record: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    other = record.parent / "Z other"
    shutil.copytree(record, other)
    (other / "record.toml").write_text('id = "another"\n')
    whole = verifying.expected_takes

    def torn(folder: RecordFolder) -> verifying.ExpectedTakes:
        if folder.path == record:
            raise OSError(5, "Input/output error", str(record / "takes"))
        return whole(folder)

    monkeypatch.setattr(verifying, "expected_takes", torn)
    assert main(["verify", "--shelf", str(record.parent)]) == 1
    told = capsys.readouterr().out
    assert "Input/output error" in told
    assert f"{other}: all right" in told


@pytest.mark.parametrize(
    "name", ["sleeve.txt", "record.toml", "history.jsonl", "takes/A-1/take.json", "art/front.jpg"]
)
def test_what_rots_in_a_text_is_told_and_what_a_person_writes_is_not(
    record: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (record / "art").mkdir(exist_ok=True)
    (record / "art" / "front.jpg").write_bytes(bytes(range(256)))
    path = record / name
    for each in record.rglob("*"):
        os.utime(each, (1.7e9, 1.7e9))
    assert main(["verify", str(record), "--shelf", str(record.parent)]) == 0
    whole, at = path.read_bytes(), len(path.read_bytes()) // 2
    path.write_bytes(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
    os.utime(path, (1.7e9, 1.7e9))
    capsys.readouterr()
    for _ in range(1 if name == "history.jsonl" else 2):
        assert main(["verify", str(record), "--shelf", str(record.parent)]) == 1
        assert f"{name} is not what it was at the last check" in capsys.readouterr().out
    path.write_bytes(whole)
    assert main(["verify", str(record), "--shelf", str(record.parent)]) == 0
    if name == "sleeve.txt":
        path.write_bytes(whole.replace(b"Third Rail", b"Third Row"))
        assert main(["verify", str(record), "--shelf", str(record.parent)]) == 0


def test_a_kind_of_copies_that_a_person_took_away_is_one_sentence_and_can_be_forgotten(
    record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.rmtree(copies_of(record) / "lossless")
    assert main(["verify", "--shelf", str(record.parent)]) == 1
    told = capsys.readouterr().out
    assert "lossless is gone" in told
    assert "missing:" not in told
    assert main(["shelf", "--shelf", str(record.parent), "rebuild"]) == 0
    assert main(["verify", "--shelf", str(record.parent)]) == 0


def test_of_a_take_that_rotted_is_told_where_it_still_is(
    record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    take = record / "takes" / "A-1" / "take.wav"
    take.chmod(0o644)
    take.write_bytes(take.read_bytes()[:-1] + b"\1")
    assert main(["verify", "--shelf", str(record.parent)]) == 1
    assert "still holds its sound" in capsys.readouterr().out
    take.unlink()
    assert main(["verify", "--shelf", str(record.parent)]) == 1
    assert "takes/A-1/take.wav is missing, and " in capsys.readouterr().out
