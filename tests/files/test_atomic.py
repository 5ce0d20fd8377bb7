"""Files appear whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from sidekeep.errors import CopyError
from sidekeep.files import atomic, flushing
from sidekeep.files.atomic import part_path, whole_file, write_json, write_text
from tests.files.sounds import leftovers


def test_the_name_appears_only_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    with whole_file(target) as part:
        part.write_text("half", encoding="utf-8")
        assert part.parent == tmp_path
        assert not target.exists()
    assert target.read_text(encoding="utf-8") == "half"
    assert os.listdir(tmp_path) == ["report.html"]


def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "cuts.toml"
    target.write_text("old", encoding="utf-8")

    def stopped() -> None:
        with whole_file(target, replace=True) as part:
            part.write_text("new", encoding="utf-8")
            raise KeyError("stopped")

    with pytest.raises(KeyError):
        stopped()
    assert target.read_text(encoding="utf-8") == "old"
    assert os.listdir(tmp_path) == ["cuts.toml"]


def test_nothing_is_overwritten_without_replace(tmp_path: Path) -> None:
    target = tmp_path / "a.json"
    write_json(target, {"title": "Übersee"})
    with pytest.raises(CopyError, match="exists already"):
        write_json(target, {})
    assert json.loads(target.read_text(encoding="utf-8")) == {"title": "Übersee"}
    write_json(target, {}, replace=True)
    assert target.read_bytes() == b"{}\n"


@pytest.mark.parametrize("hard_links", [True, False])
def test_a_file_that_appears_meanwhile_is_not_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hard_links: bool
) -> None:
    if not hard_links:

        def refused(*_: Any, **__: Any) -> None:
            raise OSError(errno.EPERM, "no hard links here")

        monkeypatch.setattr(os, "link", refused)
    target = tmp_path / "a.txt"

    def late() -> None:
        with whole_file(target) as part:
            part.write_text("mine", encoding="utf-8")
            target.write_text("theirs", encoding="utf-8")

    with pytest.raises(CopyError, match="exists already"):
        late()
    assert target.read_text(encoding="utf-8") == "theirs"
    assert leftovers(tmp_path) == []
    write_text(tmp_path / "b.txt", "works")
    assert (tmp_path / "b.txt").read_text(encoding="utf-8") == "works"


def test_a_leftover_of_a_killed_run_is_taken_away_and_nothing_else(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    mine = part_path(tmp_path / "other.txt")
    left = mine.name.replace(f"-{os.getpid()}-", f"-{ended.pid}-")
    elsewhere = left.replace(left.split(".")[-2].split("-")[0], "00000000")
    for name in (mine.name, left, elsewhere, "song.part", "notes-1-2.part"):
        (tmp_path / name).write_text("x", encoding="utf-8")
    (tmp_path / "old.flac.00000000-7-1.part").write_text("x", encoding="utf-8")
    os.utime(tmp_path / "old.flac.00000000-7-1.part", (1e9, 1e9))
    write_text(tmp_path / "a.txt", "new")
    assert sorted(os.listdir(tmp_path)) == sorted(
        ["a.txt", mine.name, elsewhere, "song.part", "notes-1-2.part"]
    )
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "new"


def test_what_another_machine_writes_is_left_even_if_both_have_one_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Small computers come from their makers with the same name; process numbers of one mean nothing on the other. And the clock of
    one may be a year ahead."""
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    names = []
    for number, machine in enumerate(("8f1e", "27aa")):
        (tmp_path / f"id-{number}").write_text(machine + "\n")
        monkeypatch.setattr(atomic, "_MACHINE", tmp_path / f"id-{number}")
        atomic._place.cache_clear()
        names.append(part_path(tmp_path / "a.flac").name.replace(f"-{os.getpid()}-", f"-{ended.pid}-"))
    theirs, ours = names
    for name in names:
        (tmp_path / name).write_text("x")
    now_s = time.time
    monkeypatch.setattr(time, "time", lambda: now_s() + 366 * 86_400.0)
    atomic.forget_parts(tmp_path)
    atomic._place.cache_clear()
    assert not (tmp_path / ours).exists()
    assert (tmp_path / theirs).exists()


def test_a_clock_that_is_put_right_ends_nothing_that_is_being_written(tmp_path: Path) -> None:
    """A small machine without a clock of its own starts where it ended, and jumps ahead by days in the middle of a job. The number
    of a process that is gone may be another program's by then: what that one left goes after two days as ever."""
    at_it = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    other = subprocess.Popen(["sleep", "60"])
    mine = part_path(tmp_path / "a.flac")
    names = [
        mine.name.replace(f"-{os.getpid()}-", f"-{each}-") for each in (os.getpid(), at_it.pid, other.pid)
    ]
    for name in names:
        (tmp_path / name).mkdir()
        os.utime(tmp_path / name, (1e9, 1e9))
    atomic.forget_parts(tmp_path)
    other.kill()
    at_it.communicate(b"\n")
    other.wait()
    left = {mine.name, names[1]} if sys.platform == "linux" else set(names)
    assert set(os.listdir(tmp_path)) == left


def test_two_that_write_one_file_at_once_never_share_a_temporary_one(tmp_path: Path) -> None:
    """Each of the two is whole at every moment, whoever comes last."""
    target = tmp_path / "cuts.toml"
    with whole_file(target, replace=True) as one:
        one.write_text("first, and longer", encoding="utf-8")
        with whole_file(target, replace=True) as other:
            assert other != one
            other.write_text("second", encoding="utf-8")
        assert target.read_text(encoding="utf-8") == "second"
    assert target.read_text(encoding="utf-8") == "first, and longer"
    assert leftovers(tmp_path) == []


def test_a_link_under_a_temporary_name_is_not_written_through(tmp_path: Path) -> None:
    precious = tmp_path / "precious.wav"
    precious.write_bytes(b"precious")
    (tmp_path / "a.txt.part").symlink_to(precious)
    write_text(tmp_path / "a.txt", "new")
    assert precious.read_bytes() == b"precious"


def test_content_reaches_the_disk_before_the_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    flush, link = os.fsync, os.link

    def note_flush(descriptor: int) -> None:
        order.append("flush")
        flush(descriptor)

    def note_link(*args: Any) -> None:
        order.append("name")
        link(*args)

    monkeypatch.setattr(os, "fsync", note_flush)
    monkeypatch.setattr(os, "link", note_link)
    write_text(tmp_path / "a.txt", "x")
    assert order == ["flush", "name", "flush"]


def test_where_the_drive_keeps_a_memory_of_its_own_it_is_emptied(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on macOS (Apple, manual page fsync(2)); a disk that refuses is flushed as well as it can be."""
    asked: list[str] = []
    full = 51
    refusals = iter([False, False, True, True])

    def ask(descriptor: int, order: int) -> int:
        assert order == full
        os.fstat(descriptor)
        if next(refusals):
            raise OSError(errno.ENOTSUP, "Operation not supported")
        asked.append("full")
        return 0

    monkeypatch.setattr(flushing, "_FULL", full)
    monkeypatch.setattr(flushing, "fcntl", SimpleNamespace(fcntl=ask))
    monkeypatch.setattr(os, "fsync", lambda descriptor: asked.append("plain"))
    monkeypatch.setattr(os, "fdatasync", lambda descriptor: asked.append("content"), raising=False)
    with (tmp_path / "a").open("wb") as file:
        for _ in range(2):
            flushing.flush_descriptor(file.fileno())
            flushing.flush_content(file.fileno())
    assert asked == ["full", "full", "plain", "plain"]


def test_a_name_as_long_as_the_file_system_takes(tmp_path: Path) -> None:
    name = "n" * 251 + ".txt"
    write_text(tmp_path / name, "x")
    assert os.listdir(tmp_path) == [name]
    with pytest.raises(CopyError, match="name is too long"):
        write_text(tmp_path / ("n" * 300), "x")


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "not permitted"),
        (errno.EDQUOT, "share of the disk"),
        (errno.EIO, "reports an error"),
        (errno.EXDEV, os.strerror(errno.EXDEV)),
    ],
)
def test_what_the_system_says_becomes_one_line(tmp_path: Path, code: int, words: str) -> None:
    def refused() -> None:
        with whole_file(tmp_path / "a.txt") as part:
            part.write_text("x", encoding="utf-8")
            raise OSError(code, os.strerror(code))

    with pytest.raises(CopyError, match=words) as caught:
        refused()
    assert "\n" not in str(caught.value)
    assert "a.txt" in str(caught.value)
    assert os.listdir(tmp_path) == []


def test_missing_folder_and_folder_in_the_way(tmp_path: Path) -> None:
    with pytest.raises(CopyError, match="folder is not there"):
        write_text(tmp_path / "none" / "a.txt", "x")
    (tmp_path / "a.txt").mkdir()
    for replace in (False, True):
        with pytest.raises(CopyError, match="folder of that name"):
            write_text(tmp_path / "a.txt", "x", replace=replace)


def test_full_disk_leaves_nothing(small_disk: Path) -> None:
    before = sorted(os.listdir(small_disk))
    with pytest.raises(CopyError, match=r"disk is full|file grows past"):
        atomic.write_bytes(small_disk / "a.bin", bytes(1 << 20))
    assert sorted(os.listdir(small_disk)) == before


def test_a_temporary_name_is_never_told(tmp_path: Path) -> None:
    part = atomic.part_path(tmp_path / "A.wav")
    error = atomic.copy_error(OSError(errno.ENOSPC, "No space left on device"), part)
    assert str(tmp_path / "A.wav:") in str(error)
    assert ".part" not in str(error)


def test_json_is_plain(tmp_path: Path) -> None:
    with pytest.raises(ValueError):
        write_json(tmp_path / "a.json", {"level": float("nan")})
    assert os.listdir(tmp_path) == []


def test_the_work_folder_of_a_killed_run_goes_with_the_next(tmp_path: Path) -> None:
    program = (
        "import os, signal, sys; from pathlib import Path; from sidekeep.files.atomic import work_folder\n"
        "with work_folder(Path(sys.argv[1])) as folder:\n"
        "    (folder / '0.patches').write_bytes(bytes(9)); os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", program, str(tmp_path)], check=False)
    (left,) = os.listdir(tmp_path)
    with atomic.work_folder(tmp_path) as folder:
        assert os.listdir(tmp_path) == [folder.name] != [left]
    assert not os.listdir(tmp_path)
