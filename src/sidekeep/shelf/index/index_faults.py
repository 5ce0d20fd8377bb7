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
        return ShelfError("index-in-use", path=path)
    if code == sqlite3.SQLITE_FULL or (code == sqlite3.SQLITE_IOERR and _is_full(shelf)):
        return UnwritableIndex("index-disk-full", path=path)
    if code == sqlite3.SQLITE_READONLY:
        return UnwritableIndex("index-not-permitted", path=path)
    if code == sqlite3.SQLITE_IOERR:
        return UnwritableIndex("index-unread", path=path, reason=error)
    if code == sqlite3.SQLITE_CANTOPEN and not path.is_dir():
        return UnwritableIndex("index-not-opened", path=path)
    return DamagedIndex("index-damaged", path=path, reason=error)


def _is_full(shelf: Path) -> bool:
    try:
        return shutil.disk_usage(shelf).free < _FULL_BYTES
    except OSError:
        return False
