"""The lines of the shelf, made again only for records whose files are others than when they were made last.

A shelf of hundreds is asked for whenever anything on it changes. What a line is made of is told by the times and sizes of a
record's files and folders: everything here appears by a rename, which the folder above it remembers.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from pathlib import Path
from typing import Any

from sidekeep.errors import SidekeepError
from sidekeep.service.comparing.reminder import FILE as REMINDER
from sidekeep.service.house.library import Library
from sidekeep.service.house.records.summary_view import summary_view
from sidekeep.service.shelf.verify import CHECKS
from sidekeep.shelf.choices.choice_files import CUTS, RECIPE, RECORD, SLEEVE
from sidekeep.shelf.choices.journal import HISTORY
from sidekeep.shelf.index.catalogue import Entry

Mark = tuple[tuple[str, int, int], ...]
SETTLED_NS = 2_000_000_000
"""What changed less than this ago may change again without another time to show it: it is not relied on."""
_FILES = (".", RECORD, SLEEVE, CUTS, RECIPE, HISTORY, CHECKS, REMINDER)
_FOLDERS = ("takes", "copies", "art")
_DEEPEST = 2
"""Folders below those are looked at too: a take, and the surveys in it."""


class Summaries:
    """Safe for any thread."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._lock = threading.Lock()
        self._kept: dict[str, tuple[Entry, Mark, dict[str, Any]]] = {}

    def line(self, entry: Entry) -> dict[str, Any]:
        """The line of a record, whatever has become of its folder: one that cannot be read hides no other."""
        try:
            return self.view(entry)
        except (SidekeepError, OSError) as error:
            return _line_of_trouble(entry, error)

    def view(self, entry: Entry) -> dict[str, Any]:
        """The line of a record; the caller does not change it."""
        mark = _mark(self._library.shelf / entry.folder)
        with self._lock:
            kept = self._kept.get(entry.folder)
        if kept is not None and kept[:2] == (entry, mark):
            return kept[2]
        line = summary_view(self._library, entry)
        newest_ns = max((changed_ns for _, changed_ns, _ in mark), default=0)
        with self._lock:
            if time.time_ns() - newest_ns > SETTLED_NS:
                self._kept[entry.folder] = (entry, mark, line)
            else:
                self._kept.pop(entry.folder, None)
        return line


def _line_of_trouble(entry: Entry, error: Exception) -> dict[str, Any]:
    """What the index still knows of a record whose folder is gone or cannot be read, and what is wrong."""
    known = {name: value for name, value in vars(entry).items() if name not in ("record_id", "folder")}
    return {
        "id": entry.record_id,
        **known,
        "sides": [],
        "unsure_count": 0,
        "has_cover": False,
        "colour": None,
        "last_taken": None,
        "revision": 0,
        "next_step": "look",
        "play_again_after": None,
        "trouble": " ".join(str(error).split()),
    }


def _mark(folder: Path) -> Mark:
    """Names, times and sizes of all that a line is made of."""
    seen: list[tuple[str, int, int]] = []
    for name in _FILES:
        with contextlib.suppress(OSError):
            facts = os.stat(folder / name)
            seen.append((name, facts.st_mtime_ns, facts.st_size))
    for name in _FOLDERS:
        with contextlib.suppress(OSError):
            seen.append((name, os.stat(folder / name).st_mtime_ns, 0))
            _look_below(folder / name, name, _DEEPEST, seen)
    return tuple(seen)


def _look_below(folder: Path, name: str, deep: int, seen: list[tuple[str, int, int]]) -> None:
    with os.scandir(folder) as below:
        for each in sorted(below, key=lambda found: found.name):
            with contextlib.suppress(OSError):
                facts = each.stat()
                seen.append((f"{name}/{each.name}", facts.st_mtime_ns, facts.st_size))
                if deep > 1 and each.is_dir():
                    _look_below(Path(each.path), f"{name}/{each.name}", deep - 1, seen)
