"""Runs that are killed, cancelled, in the way of something or out of room: nothing half, nothing lost."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.copies.kept.history import MAKING_FOLDER
from sidekeep.copies.kept.manifest import read_manifest
from sidekeep.copies.run import lossy, lossy_files
from sidekeep.copies.run.run import CopyRun
from sidekeep.errors import Cancelled, ChecksumError, CopyError, ParameterError
from sidekeep.files.reading.own_sum import flac_md5_matches
from tests.copies.feeder import FOLDER, Feeder, drive, record, tree
from tests.outside import mounted, nobody_writes


def test_an_abandoned_run_leaves_nothing(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path / "out")

    def body(run: CopyRun) -> None:
        run.feed("A", 0, feeder.played(0)[:5000])
        raise RuntimeError("power")

    with pytest.raises(RuntimeError, match="power"):
        drive(feeder.plan("lossless,portable,cd"), body)
    assert tree(tmp_path) == {}
    assert not (tmp_path / "out" / FOLDER).exists()


def test_the_next_run_goes_on_from_what_is_whole(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path / "broken")

    def body(run: CopyRun) -> None:
        feeder.feed(run, only=["A"])
        run._drain()
        run._jobs.wait(lambda done, total: None)
        assert not run._jobs.failures()
        raise RuntimeError("power")

    with pytest.raises(RuntimeError, match="power"):
        drive(feeder.plan("lossless,portable"), body)
    folder = tmp_path / "broken" / FOLDER
    assert [path.name for path in folder.iterdir()] == [MAKING_FOLDER]
    with CopyRun(feeder.plan("lossless,portable")) as run:
        assert run.needs_side("B")
        assert {planned.path for planned in run.plan.files if run._making.staged(planned)} == {
            "lossless/01 Lamp Oil.flac",
            "lossless/02 Grüße.flac",
            "portable/01 Lamp Oil.mp3",
            "portable/02 Grüße.mp3",
        }
        feeder.feed(run)
        run.finish()
    whole = Feeder(tmp_path / "whole")
    whole.copies("lossless,portable")
    assert tree(tmp_path / "broken") == tree(tmp_path / "whole")


def test_a_run_that_dies_between_names_is_completed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sidekeep.copies.run import finish

    feeder = Feeder(tmp_path / "broken")
    real = finish.give_name
    named: list[Path] = []

    def dies(part: Path, final: Path, *, replace: bool = False) -> None:
        if len(named) == 2:
            raise OSError(28, "No space left on device")
        named.append(final)
        real(part, final, replace=replace)

    monkeypatch.setattr(finish, "give_name", dies)
    with pytest.raises(CopyError, match="disk is full"):
        feeder.copies("lossless,portable")
    monkeypatch.undo()
    feeder.copies("lossless,portable")
    assert feeder.fed == 0
    Feeder(tmp_path / "whole").copies("lossless,portable")
    assert tree(tmp_path / "broken") == tree(tmp_path / "whole")


LENGTHS = ((48_000, 52_000, 90_000), (61_000,))
CHILD = f"""
import sys, time
from pathlib import Path
from sidekeep.copies.run.run import CopyRun
from tests.copies.feeder import Feeder
feeder = Feeder(Path(sys.argv[1]), lengths={LENGTHS})
with CopyRun(feeder.plan("lossless,portable,cd")) as run:
    if sys.argv[2] == "feeding":
        feeder.feed(run, only=["A"])
        print("now", flush=True)
        time.sleep(60)
    feeder.feed(run)
    print("now", flush=True)
    run.finish()
"""


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What the child writes when nobody kills it."""
    whole = tmp_path_factory.mktemp("undisturbed")
    Feeder(whole, lengths=LENGTHS).copies("lossless,portable,cd")
    return tree(whole)


@pytest.mark.parametrize(
    ("when", "wait_s"), [("feeding", 0.0), ("feeding", 1.0), ("finishing", 0.0), ("finishing", 0.4)]
)
def test_killed_at_any_moment_the_next_run_gives_the_same_files(
    tmp_path: Path, undisturbed: dict[str, bytes], when: str, wait_s: float
) -> None:
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(tmp_path / "killed"), when],
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )
    assert child.stdout is not None
    assert child.stdout.readline() == b"now\n"
    time.sleep(wait_s)
    child.kill()
    child.communicate()
    # What has its final name is whole; the rest is in .making.
    for path in (tmp_path / "killed").rglob("*.flac"):
        if MAKING_FOLDER not in path.parts:
            assert flac_md5_matches(path)
    Feeder(tmp_path / "killed", lengths=LENGTHS).copies("lossless,portable,cd")
    assert tree(tmp_path / "killed") == undisturbed


def test_a_disk_full_at_any_byte_up_to_the_last_loses_nothing(tmp_path: Path) -> None:
    """Disks that grow page by page around what is needed: one line, then completed with more room."""
    Feeder(tmp_path / "whole").copies("lossless")
    disk = tmp_path / "disk"
    disk.mkdir()
    outcomes = set()
    for pages in (40, 75, 88, 96, 104, 112, 120, 128, 200):
        with mounted(disk, f"size={pages * 4096}"):
            try:
                Feeder(disk).copies("lossless")
                outcomes.add("fits")
            except CopyError as problem:
                outcomes.add(re.sub(r".*: ", "", str(problem)))
            subprocess.run(["mount", "-o", "remount,size=4m", str(disk)], check=True)
            Feeder(disk).copies("lossless")
            assert tree(disk) == tree(tmp_path / "whole")
    assert outcomes == {"fits", "the disk is full; free some space or choose another folder"}


def test_a_run_that_dies_while_replacing_its_own_files_is_completed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The old files still stand where the history tells of new ones: they are known as ours all the same."""
    from sidekeep.copies.run import finish

    def dies(part: Path, final: Path, *, replace: bool = False) -> None:
        raise OSError(5, "Input/output error")

    Feeder(tmp_path / "broken").copies("lossless")
    changed = record(label="Umberlatch")
    monkeypatch.setattr(finish, "give_name", dies)
    with pytest.raises(CopyError, match="the disk reports an error"):
        Feeder(tmp_path / "broken", record=changed).copies("lossless")
    monkeypatch.undo()
    Feeder(tmp_path / "broken", record=changed).copies("lossless")
    Feeder(tmp_path / "whole", record=changed).copies("lossless")
    assert tree(tmp_path / "broken") == tree(tmp_path / "whole")


def test_a_file_that_was_deleted_is_made_again_alone(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    feeder.copies("lossless,portable")
    before = tree(tmp_path)
    (tmp_path / FOLDER / "portable" / "03 Tide Table.mp3").unlink()
    written = feeder.copies("lossless,portable")
    assert feeder.fed == 28_000
    assert [each.path.name for each in written if each.action == "made"] == ["03 Tide Table.mp3"]
    assert tree(tmp_path) == before


@pytest.mark.parametrize("path", ["lossless/01 Lamp Oil.flac", "lossless/Tallow Wharf Almanac.m3u8"])
def test_a_file_in_the_way_is_refused_and_replaced_on_request(tmp_path: Path, path: str) -> None:
    stranger = tmp_path / FOLDER / path
    stranger.parent.mkdir(parents=True)
    stranger.write_bytes(b"mine")
    feeder = Feeder(tmp_path)
    with pytest.raises(CopyError, match="nothing is overwritten unless you ask for it"):
        feeder.copies("lossless")
    assert tree(tmp_path) == {f"{FOLDER}/{path}": b"mine"}
    feeder.copies("lossless", replace_existing=True)
    assert stranger.read_bytes() != b"mine"


def test_copies_from_other_settings_need_replace(tmp_path: Path) -> None:
    Feeder(tmp_path).copies("lossless")
    before = tree(tmp_path)
    louder = Feeder(tmp_path, gain=0.5, key="take-2")
    with pytest.raises(CopyError, match="3 files are there already"):
        louder.copies("lossless")
    assert tree(tmp_path) == before
    louder.copies("lossless", replace_existing=True)
    Feeder(tmp_path / "fresh", gain=0.5, key="take-2").copies("lossless")
    assert tree(tmp_path / FOLDER) == tree(tmp_path / "fresh" / FOLDER)


def test_a_copy_a_person_changed_is_theirs(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    feeder.copies("lossless")
    touched = tmp_path / FOLDER / "lossless" / "02 Grüße.flac"
    touched.write_bytes(touched.read_bytes() + b"\0")
    with pytest.raises(CopyError, match="02 Grüße"):
        feeder.copies("lossless")
    renamed = Feeder(tmp_path, record=record((("Lamp Oil", "Neu"), ("Tide Table",))))
    renamed.copies("lossless")
    assert touched.read_bytes()[-1] == 0
    assert (tmp_path / FOLDER / "lossless" / "02 Neu.flac").exists()


def test_a_name_that_changes_by_case_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On disks where case does not part names the old one must be gone before the new one comes."""
    from sidekeep.copies.run import finish

    Feeder(tmp_path).copies("lossless")
    real = finish.give_name

    def watched(part: Path, final: Path, *, replace: bool = False) -> None:
        names = [path.name.casefold() for path in final.parent.iterdir() if path.name != final.name]
        assert final.name.casefold() not in names
        real(part, final, replace=replace)

    monkeypatch.setattr(finish, "give_name", watched)
    changed = record((("LAMP oil", "Grüße"), ("Tide Table",)))
    Feeder(tmp_path, record=changed).copies("lossless")
    Feeder(tmp_path / "fresh", record=changed).copies("lossless")
    assert tree(tmp_path / FOLDER) == tree(tmp_path / "fresh" / FOLDER)


def test_kinds_added_later_leave_the_others_alone(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    feeder.copies("lossless")
    before = tree(tmp_path / FOLDER / "lossless")
    feeder.copies("phone")
    assert tree(tmp_path / FOLDER / "lossless") == before
    assert set(read_manifest(tmp_path / FOLDER)) == set(tree(tmp_path / FOLDER)) - {"manifest-sha256.txt"}


def test_a_read_only_folder_is_one_line(tmp_path: Path) -> None:
    folder = tmp_path / "read-only"
    folder.mkdir()
    with nobody_writes(folder), pytest.raises(CopyError, match=r"cannot write .*(not permitted|read-only)"):
        Feeder(folder).copies("lossless")


def test_a_file_where_the_folder_should_be_is_one_line(tmp_path: Path) -> None:
    (tmp_path / FOLDER).write_bytes(b"")
    with pytest.raises(CopyError, match="cannot write"):
        Feeder(tmp_path).copies("lossless")


@pytest.mark.parametrize("kinds", ["lossless", "portable", "wav", "cd,side", "aac,phone"])
def test_a_full_disk_is_one_line_and_leaves_no_half_file(small_disk: Path, kinds: str) -> None:
    feeder = Feeder(small_disk, lengths=((150_000, 99_000), (150_000,)))
    with pytest.raises(CopyError, match=r"cannot write .*(disk is full|grows past)"):
        feeder.copies(kinds)
    assert not [path for path in small_disk.rglob("*") if path.is_file() and MAKING_FOLDER not in path.parts]
    assert not list(small_disk.rglob("*.part"))


def test_missing_frames_are_told(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)

    def body(run: CopyRun) -> None:
        feeder.feed(run, only=["A"])
        run.finish()

    with pytest.raises(CopyError, match="incomplete"):
        drive(feeder.plan("lossless,portable"), body)
    assert not (tmp_path / FOLDER / "lossless").exists()


def test_frames_out_of_order_are_told(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)

    def body(run: CopyRun) -> None:
        run.feed("A", 1, feeder.played(0)[:500])
        run.finish()

    with pytest.raises(ParameterError, match="came where 0 was due"):
        drive(feeder.plan("lossless"), body)
    with pytest.raises(ParameterError, match="2 columns"):
        drive(feeder.plan("lossless"), lambda run: run.feed("A", 0, np.zeros((100, 1))))
    with pytest.raises(ParameterError, match="not part of this run"):
        drive(feeder.plan("lossless"), lambda run: run.feed("C", 0, np.zeros((100, 2))))


def test_an_encoder_that_fails_stops_the_run_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise CopyError("the encoder is broken")

    monkeypatch.setattr(lossy_files, "encode_lossy", broken)
    with pytest.raises(CopyError, match="the encoder is broken"):
        Feeder(tmp_path).copies("lossless,portable")


def test_a_copy_that_decodes_to_something_else_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = lossy.read_spills
    calls = []

    def swapped(paths: list[Path], channels: int) -> Iterator[NDArray[np.float64]]:
        calls.append(paths)
        # The comparison opens the samples first; the encoder, second, gets them out of place.
        broken = len(calls) % 2 == 0
        return (np.roll(block, 999, axis=0) if broken else block for block in real(paths, channels))

    monkeypatch.setattr(lossy, "read_spills", swapped)
    feeder = Feeder(tmp_path)

    def body(run: CopyRun) -> None:
        feeder.feed(run)
        run.finish()

    with pytest.raises(CopyError, match="does not decode to what went in"):
        drive(feeder.plan("portable"), body, threads=1)


def test_tags_that_harm_the_sound_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sidekeep.copies.run import finish

    def harm(path: Path, *_: object, **__: object) -> None:
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 1
        path.write_bytes(data)

    monkeypatch.setattr(finish, "write_tags", harm)
    with pytest.raises(CopyError, match="writing tags changed the sound"):
        Feeder(tmp_path).copies("wav")
    assert not (tmp_path / FOLDER / "wav").exists()


def test_cancelling_from_the_progress(tmp_path: Path) -> None:
    def stop(share: float, doing: str = "") -> None:
        raise Cancelled("stopped")

    feeder = Feeder(tmp_path)

    def body(run: CopyRun) -> None:
        feeder.feed(run)
        run.finish(stop)

    with pytest.raises(Cancelled):
        drive(feeder.plan("portable"), body)
    assert not (tmp_path / FOLDER / "portable").exists()
    feeder.copies("portable")


def test_progress_rises_to_one(tmp_path: Path) -> None:
    shares: list[float] = []
    feeder = Feeder(tmp_path)
    with CopyRun(feeder.plan("lossless,portable")) as run:
        feeder.feed(run)
        run.finish(lambda share, doing="": shares.append(share))
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_sound_that_was_not_the_takes_waits_for_nobody(tmp_path: Path) -> None:
    """A take that turns out not to be what it was leaves no finished file for a later run of the same take."""
    feeder = Feeder(tmp_path)
    journal = tmp_path / FOLDER / MAKING_FOLDER / "journal.json"

    def goes_wrong(run: CopyRun) -> None:
        feeder.feed(run)
        for _ in range(1000):
            if journal.exists() and "payload_sha256" in journal.read_text("utf-8"):
                break
            time.sleep(0.01)
        raise ChecksumError("it is not what it was")

    with pytest.raises(ChecksumError):
        drive(feeder.plan("lossless"), goes_wrong)
    assert not (tmp_path / FOLDER).exists()
