"""How the index is opened on whatever disk the shelf lies on: one of several machines, or one without locks.

Write-ahead logs need memory that all readers share, and so one machine (sqlite.org, "Write-Ahead Logging", point 2 of its
disadvantages). A shelf may lie on a network drive, so changes are rolled back by a journal, SQLite's plain way.
"""

from __future__ import annotations

import contextlib
import sqlite3
import tempfile
from functools import cache
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows: its locks are part of opening a file
    fcntl = None  # type: ignore[assignment]

BUSY_S = 10.0
"""Changes of the index take milliseconds: who waits longer waits for something that hangs."""


def connectable(path: Path) -> str:
    """The address SQLite opens: without its locks where the disk has none, for it would wait for them in vain. Two machines that
    change such an index at once may damage it; it is then made again from the folders."""
    address = path.absolute().as_uri()
    return address if _has_locks(path.parent) else f"{address}?nolock=1"


def roll_back_by_journal(connection: sqlite3.Connection) -> None:
    """Leave write-ahead logging, in which older versions kept the index, unless somebody has it open that way."""
    (mode,) = connection.execute("PRAGMA journal_mode").fetchone()
    if mode != "wal":
        return
    connection.execute("PRAGMA busy_timeout = 0")
    with contextlib.suppress(sqlite3.OperationalError):
        connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute(f"PRAGMA busy_timeout = {round(BUSY_S * 1000)}")


@cache
def _has_locks(folder: Path) -> bool:
    """Whether a file in the folder can be locked. Tried on a file of its own: to close one of SQLite's would let its locks go. A
    folder that takes no file is not asked; who cannot write there is told so elsewhere."""
    if fcntl is None:
        return True
    with contextlib.suppress(OSError), tempfile.TemporaryFile(dir=folder) as trial:
        try:
            fcntl.lockf(trial, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
    return True
