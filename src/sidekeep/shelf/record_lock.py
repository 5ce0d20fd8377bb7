"""One job at a time on a record, whichever process or machine the shelf's disk is reached from.

A job (copies, survey, adopting, an evening's takes) holds the record's lock from its beginning to its end. Small choices
do not: they have a lock of their own for the blink of an eye (``choices_lock``), so that a mark can be moved while side B
is being recorded. Locks are the system's own (``flock``, on Windows ``LockFile``): they end with the process that held
them, also when it is killed. On a network disk they hold as far as its server passes them on; where it has none at all,
a file stands in, which a machine that lost its power leaves behind (delete ``.lock.held`` then).
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from filelock import BaseFileLock, FileLock, SoftFileLock, Timeout

from sidekeep.errors import RecordBusy
from sidekeep.files.atomic import copy_error, part_path
from sidekeep.files.bounded import kept_json
from sidekeep.files.checksum import bytes_sha256

LOCK, HOLDER, CHOICES_LOCK, SHELF_LOCK = ".lock", ".lock-holder", ".choices.lock", ".records.lock"
CHOICES_WAIT_S = 20.0
"""Choices are written in milliseconds: who waits longer waits for something that hangs."""
_POLL_S = 0.2
_NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP}
"""What a disk says that has no locks: some network drives."""


@dataclass(frozen=True, kw_only=True)
class Holder:
    """Who is at work on a record."""

    doing: str
    host: str
    pid: int
    since_utc: str

    @classmethod
    def here(cls, doing: str) -> Holder:
        """This process, now."""
        return cls(
            doing=doing,
            host=socket.gethostname(),
            pid=os.getpid(),
            since_utc=datetime.now(UTC).replace(microsecond=0).isoformat(),
        )

    @property
    def text(self) -> str:
        """In words."""
        where = "" if self.host == socket.gethostname() else f" on {self.host}"
        return f"{self.doing or 'another job'} (process {self.pid}{where})"


@contextlib.contextmanager
def at_work(
    folder: Path,
    doing: str,
    *,
    wait_s: float | None = 0.0,
    waiting: Callable[[str], None] = lambda text: None,
) -> Iterator[None]:
    """Hold the record in ``folder`` for a job; ``doing`` names it for others ("writing copies").

    ``wait_s`` 0 does not wait, None waits without end; ``waiting`` hears who is waited for, some times a second, and may
    raise to give up. Raises ``RecordBusy``. A thread that holds the record already may hold it again.
    """
    lock = _acquire(FileLock(folder / LOCK, is_singleton=True), folder / HOLDER, folder.name, wait_s, waiting)
    is_outermost = lock.lock_counter == 1
    try:
        if is_outermost:
            _name_holder(folder / HOLDER, Holder.here(doing))
        yield
    finally:
        if is_outermost:
            _forget(folder / HOLDER)
        lock.release()


@contextlib.contextmanager
def folder_at_work(
    folder: Path,
    doing: str,
    *,
    wait_s: float | None = None,
    waiting: Callable[[str], None] = lambda text: None,
) -> Iterator[None]:
    """Hold a folder that copies are written into, outside the shelf too, and that need not be there yet; as ``at_work``.

    The lock lies beside the folder while it is held, and goes with the work: whoever got hold of one that was taken away
    in that moment sees it and asks again.
    """
    place = folder.parent / f".at-work-{bytes_sha256(os.fsencode(folder.name))[:12]}.lock"
    holder = place.with_suffix(".holder")
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise copy_error(error, place.parent) from error
    while True:
        lock = _acquire(FileLock(place), holder, folder.name, wait_s, waiting)
        if isinstance(lock, SoftFileLock) or _is_in_place(place):
            break
        lock.release()
    try:
        _name_holder(holder, Holder.here(doing))
        yield
    finally:
        _forget(holder)
        _forget(place)
        lock.release()


def _acquire(
    lock: BaseFileLock, holder: Path, name: str, wait_s: float | None, waiting: Callable[[str], None]
) -> BaseFileLock:
    """The lock that is held then: the one that was asked for, or what stands in for it."""
    until = None if wait_s is None else time.monotonic() + wait_s
    while True:
        try:
            return _take(lock, 0.0)
        except Timeout:
            known = kept_json(holder, Holder)
            who = known.text if known else "another job"
            if until is not None and time.monotonic() >= until:
                facts = asdict(known) if known else {}
                raise RecordBusy("busy", record=name, who=who, **facts) from None
            waiting(f"waiting: {who} is at work on {name}")
            time.sleep(_POLL_S)
        except OSError as error:
            raise copy_error(error, lock.lock_file) from error


def _take(lock: BaseFileLock, wait_s: float) -> BaseFileLock:
    """Take a lock, or a file that stands in for it on a disk without locks. Raises Timeout, and FileNotFoundError where its
    folder is not there: a record that was moved away meanwhile must not come back as an empty folder with a lock."""
    folder = os.path.dirname(lock.lock_file) or "."
    if not os.path.isdir(folder):
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), folder)
    try:
        lock.acquire(timeout=wait_s, poll_interval=0.01)
        return lock
    except OSError as error:
        if error.errno not in _NO_LOCKS:
            raise
    stand_in = SoftFileLock(_stand_in(lock.lock_file), is_singleton=lock.is_singleton)
    stand_in.acquire(timeout=wait_s, poll_interval=0.01)
    return stand_in


def _stand_in(place: str | os.PathLike[str]) -> str:
    return f"{os.fspath(place)}.held"


def try_lock(place: Path) -> BaseFileLock | None:
    """Hold a lock of that name until it is released, or None where somebody else does. Raises OSError."""
    try:
        return _take(FileLock(place), 0.0)
    except Timeout:
        return None


def is_held(place: Path) -> bool:
    """Whether somebody holds the lock of that name; False where nobody can tell."""
    if not place.exists() and not os.path.exists(_stand_in(place)):
        return False
    try:
        lock = try_lock(place)
    except OSError:
        return False
    if lock is not None:
        lock.release()
    return lock is None


def _is_in_place(place: Path) -> bool:
    """Whether the lock that is held is the file of that name, which then cannot be locked once more."""
    other = FileLock(place)
    try:
        other.acquire(timeout=0)
    except Timeout:
        return True
    other.release()
    return False


def choices_lock(folder: Path) -> contextlib.AbstractContextManager[None]:
    """Hold the choices of a record for one small change."""
    return _short(folder / CHOICES_LOCK)


def records_lock(shelf: Path) -> contextlib.AbstractContextManager[None]:
    """Hold the list of the shelf's records while one is looked for and made: two who bring in the same record at once would
    make two."""
    return _short(shelf / SHELF_LOCK)


@contextlib.contextmanager
def _short(place: Path) -> Iterator[None]:
    try:
        lock = _take(FileLock(place, is_singleton=True), CHOICES_WAIT_S)
    except Timeout:
        raise RecordBusy("choices-busy", record=place.parent.name) from None
    except OSError as error:
        raise copy_error(error, place) from error
    try:
        yield
    finally:
        lock.release()


def _name_holder(place: Path, holder: Holder) -> None:
    """A note for whoever meets the lock; without it they are told less, so a failure is none of ours."""
    part = part_path(place)
    with contextlib.suppress(OSError):
        try:
            part.write_text(json.dumps(asdict(holder)), "utf-8")
            os.replace(part, place)
        except OSError:
            _forget(part)


def _forget(place: Path) -> None:
    with contextlib.suppress(OSError):
        place.unlink(missing_ok=True)
