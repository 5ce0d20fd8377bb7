"""Keeping the shelf in order from a page: takes that something interrupted, the index made again from the folders, sides that
are due to be listened to again."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from sidekeep.errors import ParameterError, ShelfError, SidekeepError
from sidekeep.service.comparing.history import sides_due
from sidekeep.service.recording.take_close import interrupted, is_taking, recover
from sidekeep.service.shelf.records import rebuild
from sidekeep.shelf.record_folder import RecordFolder


def interrupted_views(shelf: Path) -> list[dict[str, Any]]:
    """The takes that nobody closed: record and side of each. None while a side is being recorded."""
    found = []
    for take in interrupted(shelf) if shelf.is_dir() else ():
        folder = RecordFolder(take.parent.parent)
        with contextlib.suppress(SidekeepError, OSError):
            found.append({**_named(folder), "side": take.name.rpartition("-")[0]})
    return found


def close_interrupted_takes(shelf: Path) -> tuple[list[dict[str, Any]], list[str]]:
    """Close them, keeping all that was recorded: side and length of each that was closed, and the records touched.

    Raises ShelfError while a side is being recorded.
    """
    _refuse_while_taking(shelf)
    records = list(dict.fromkeys(each["record"] for each in interrupted_views(shelf)))
    takes = [{"side": take.side, "length_s": take.length_s} for take in recover(shelf)]
    return takes, records


def index_again(shelf: Path) -> int:
    """The index made again from the record folders; how many records there are. Raises ShelfError."""
    _refuse_while_taking(shelf)
    return rebuild(shelf)


def due_views(shelf: Path, months: float) -> list[dict[str, Any]]:
    """Sides that were last taken longer ago than that, the longest first: time to take them again and compare."""
    if not 0.0 < months < 1200.0:
        raise ParameterError("months-out-of-range", months=months)
    found = []
    for side in sides_due(shelf, months) if shelf.is_dir() else ():
        folder = RecordFolder(shelf / side.record)
        with contextlib.suppress(SidekeepError, OSError):
            found.append({**_named(folder), "side": side.side, "taken_utc": side.taken_utc})
    return found


def _named(folder: RecordFolder) -> dict[str, Any]:
    record = folder.record()
    return {"record": folder.record_id, "artist": record.artist, "title": record.title}


def _refuse_while_taking(shelf: Path) -> None:
    if is_taking(shelf):
        raise ShelfError("recording-onto-shelf")
