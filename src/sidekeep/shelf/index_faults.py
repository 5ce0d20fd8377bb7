"""What can be the matter with the shelf's index, told apart: damage is made good, a full or read-only disk is not damage."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

from sidekeep.errors import ShelfError

CATALOGUE = "shelf.sqlite"
_FULL_BYTES = 256 << 10
"""SQLite reports a full disk as "disk I/O error" when even its small side files find no room."""


class DamagedIndex(ShelfError):
    """The index cannot be read as one; it can be made again from the folders."""


class NewerIndex(ShelfError):
    """The index was made by a newer sidekeep."""


class UnwritableIndex(ShelfError):
    """The index cannot be written, or not even opened for writing; the records themselves are untouched."""


def index_error(shelf: Path, error: sqlite3.Error) -> ShelfError:
    """What SQLite said, in one line and with the true cause."""
    code = getattr(error, "sqlite_errorcode", None)
    path = shelf / CATALOGUE
    if code is not None:
        code &= 0xFF
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return ShelfError(f"{path} is in use by another program; try again in a moment")
    if code == sqlite3.SQLITE_FULL or (code == sqlite3.SQLITE_IOERR and _is_full(shelf)):
        return UnwritableIndex(f"{path} cannot grow: the disk is full; nothing of the records is lost")
    if code == sqlite3.SQLITE_READONLY:
        return UnwritableIndex(
            f"{path} cannot be written: the disk is read-only, or its permissions forbid it"
        )
    if code == sqlite3.SQLITE_IOERR:
        return UnwritableIndex(f"{path} cannot be read or written: the system reports {error}")
    if code == sqlite3.SQLITE_CANTOPEN and not path.is_dir():
        return UnwritableIndex(
            f"{path} cannot be opened for writing: the disk is read-only or full, or the folder's permissions forbid it"
        )
    return DamagedIndex(
        f"{path} is damaged ({error}); 'sidekeep shelf rebuild' makes it again from the record folders"
    )


def _is_full(shelf: Path) -> bool:
    try:
        return shutil.disk_usage(shelf).free < _FULL_BYTES
    except OSError:
        return False
