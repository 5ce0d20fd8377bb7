"""One job at a time on a record: across threads, processes and kills."""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from sidekeep.errors import Cancelled, CopyError, RecordBusy, ShelfError
from sidekeep.files.atomic import write_text
from sidekeep.files.bounded import kept_json
from sidekeep.service.recording.take_close import is_taking, only_one_taker
from sidekeep.shelf.index.catalogue import Catalogue
from sidekeep.shelf.index.connecting import _has_locks, connectable
from sidekeep.shelf.record_lock import HOLDER, LOCK, Holder, at_work, choices_lock, folder_at_work

HOLD = """
import sys
from pathlib import Path
from sidekeep.shelf.record_lock import at_work
with at_work(Path(sys.argv[1]), "writing copies"):
    print("held", flush=True)
    sys.stdin.readline()
"""


def holding(folder: Path, how: str = HOLD) -> subprocess.Popen[str]:
    """Another process that holds the record until a line comes (or it is killed)."""
    other = subprocess.Popen(
        [sys.executable, "-c", how, str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert other.stdout is not None
    assert other.stdout.readline() == "held\n"
    return other


def end(other: subprocess.Popen[str]) -> None:
    other.communicate("go\n", timeout=120)


def test_a_second_process_is_told_who_is_at_work(tmp_path: Path) -> None:
    other = holding(tmp_path)
    try:
        with pytest.raises(RecordBusy, match="writing copies") as caught, at_work(tmp_path, "survey"):
            pass
        assert caught.value.code == "busy"
        assert caught.value.facts["pid"] == other.pid
        assert "\n" not in str(caught.value)
    finally:
        end(other)
    with at_work(tmp_path, "survey"):
        assert kept_json(tmp_path / HOLDER, Holder).doing == "survey"
    assert not (tmp_path / HOLDER).exists()


def test_a_second_process_can_wait(tmp_path: Path) -> None:
    other = holding(tmp_path)
    said: list[str] = []

    def waiting(text: str) -> None:
        said.append(text)
        if len(said) == 2:
            end(other)

    with at_work(tmp_path, "survey", wait_s=None, waiting=waiting):
        pass
    assert "writing copies" in said[0]


def test_waiting_can_be_given_up(tmp_path: Path) -> None:
    other = holding(tmp_path)

    def give_up(text: str) -> None:
        raise Cancelled("stopped")

    try:
        with pytest.raises(Cancelled), at_work(tmp_path, "survey", wait_s=None, waiting=give_up):
            pass
    finally:
        end(other)


def test_a_record_that_moves_away_while_it_is_waited_for_is_not_made_again_as_an_empty_folder(
    tmp_path: Path,
) -> None:
    record = tmp_path / "record"
    record.mkdir()
    other = holding(record)

    def move(text: str) -> None:
        if record.exists():
            record.rename(tmp_path / "elsewhere")

    try:
        with pytest.raises(CopyError) as caught, at_work(record, "survey", wait_s=None, waiting=move):
            pass
    finally:
        end(other)
    assert caught.value.code == "folder-not-there"
    with pytest.raises(CopyError), choices_lock(record):
        pass
    assert not record.exists()


def test_a_killed_job_leaves_no_lock(tmp_path: Path) -> None:
    other = holding(tmp_path)
    other.kill()
    other.communicate(timeout=120)
    assert (tmp_path / HOLDER).exists()
    with at_work(tmp_path, "survey"):
        assert kept_json(tmp_path / HOLDER, Holder).doing == "survey"


def test_threads_exclude_each_other_and_one_thread_may_go_deeper(tmp_path: Path) -> None:
    met: list[str] = []

    def second() -> None:
        try:
            with at_work(tmp_path, "other"):
                met.append("in")
        except RecordBusy as busy:
            met.append(str(busy.facts["doing"]))

    with at_work(tmp_path, "copies"):
        with at_work(tmp_path, "survey inside copies"):
            pass
        thread = threading.Thread(target=second)
        thread.start()
        thread.join()
    assert met == ["copies"]


def test_choices_can_be_made_while_a_job_is_at_work(tmp_path: Path) -> None:
    other = holding(tmp_path)
    try:
        with choices_lock(tmp_path):
            pass
    finally:
        end(other)


FOLDER = """
import sys
from pathlib import Path
from sidekeep.shelf.record_lock import folder_at_work
with folder_at_work(Path(sys.argv[1]), "writing copies"):
    print("held", flush=True)
    sys.stdin.readline()
"""
COUNT = """
import sys
from pathlib import Path
from sidekeep.shelf import record_lock
record_lock._POLL_S = 0.0005
folder, counter = Path(sys.argv[1]), Path(sys.argv[2])
for _ in range(150):
    with record_lock.folder_at_work(folder, "counting"):
        seen = int(counter.read_text())
        counter.write_text(str(seen + 1))
"""


def test_a_folder_that_is_not_there_yet_can_be_held_and_nothing_stays_behind(tmp_path: Path) -> None:
    folder = tmp_path / "Pale Harbour (1979)"
    other = holding(folder, FOLDER)
    said: list[str] = []

    def waiting(text: str) -> None:
        said.append(text)
        if len(said) == 2:
            end(other)

    with pytest.raises(RecordBusy, match="writing copies"), folder_at_work(folder, "again", wait_s=0.0):
        pass
    with folder_at_work(folder, "again", waiting=waiting):
        assert not folder.exists()
    assert "writing copies" in said[0]
    assert list(tmp_path.iterdir()) == []


def test_a_killed_run_leaves_no_folder_held(tmp_path: Path) -> None:
    other = holding(tmp_path / "a", FOLDER)
    other.kill()
    other.communicate()
    with folder_at_work(tmp_path / "a", "again", wait_s=0.0):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_lock_that_is_taken_away_while_others_ask_for_it_never_lets_two_in(tmp_path: Path) -> None:
    counter = tmp_path / "counter"
    counter.write_text("0")
    others = [
        subprocess.Popen([sys.executable, "-c", COUNT, str(tmp_path / "a"), str(counter)]) for _ in range(3)
    ]
    for other in others:
        assert other.wait(timeout=120) == 0
    assert counter.read_text() == "450"


def test_a_note_that_has_no_room_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a full disk every job left an empty file of its own."""

    def full(self: Path, *_: object) -> int:
        self.touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with at_work(tmp_path, "writing copies"):
        pass
    assert [path.name for path in tmp_path.iterdir()] == [LOCK]


def test_a_note_that_a_killed_job_left_half_goes_with_the_next_file_of_the_record(tmp_path: Path) -> None:
    killed = f"""
import os, sys
from pathlib import Path
from sidekeep.shelf.record_lock import at_work
os.replace = lambda *_: os.kill(os.getpid(), {signal.SIGKILL:d})
with at_work(Path(sys.argv[1]), "writing copies"):
    pass
"""
    assert subprocess.run([sys.executable, "-c", killed, str(tmp_path)]).returncode == -signal.SIGKILL
    assert len(list(tmp_path.iterdir())) == 2
    write_text(tmp_path / "notes.txt", "x")
    assert sorted(path.name for path in tmp_path.iterdir()) == [LOCK, "notes.txt"]


def refused(*_: object) -> None:
    raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))


@pytest.fixture
def no_locks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk without locks, as some network drives are."""
    monkeypatch.setattr(fcntl, "flock", refused)
    monkeypatch.setattr(fcntl, "lockf", refused)
    _has_locks.cache_clear()


@pytest.mark.usefixtures("no_locks")
def test_on_a_disk_without_locks_a_file_stands_in(tmp_path: Path) -> None:
    with at_work(tmp_path, "writing copies"), at_work(tmp_path, "once more"), choices_lock(tmp_path):
        script = HOLD.replace("from pathlib", NO_FLOCK + "from pathlib")
        other = subprocess.run(
            [sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, input="\n"
        )
        assert "writing copies" in other.stderr
        assert other.stdout == ""
    with at_work(tmp_path, "again"), folder_at_work(tmp_path / "a", "copies"):
        pass
    assert not list(tmp_path.glob("*.held"))


@pytest.mark.usefixtures("no_locks")
def test_on_a_disk_without_locks_one_can_record_and_not_two(tmp_path: Path) -> None:
    assert not is_taking(tmp_path)
    with only_one_taker(tmp_path):
        assert is_taking(tmp_path)
        with pytest.raises(ShelfError) as caught, only_one_taker(tmp_path):
            pass
        assert caught.value.code == "shelf-recording"
    assert not is_taking(tmp_path)
    assert not list(tmp_path.glob("*.held"))


NO_FLOCK = """
import fcntl
def refused(*_):
    raise OSError(37, "No locks available")
fcntl.flock = refused
"""


@pytest.mark.usefixtures("no_locks")
def test_on_a_disk_without_locks_the_index_is_opened_without(tmp_path: Path) -> None:
    assert connectable(tmp_path / "shelf.sqlite").endswith("?nolock=1")
    with Catalogue(tmp_path) as catalogue:
        assert catalogue.is_empty
    _has_locks.cache_clear()
