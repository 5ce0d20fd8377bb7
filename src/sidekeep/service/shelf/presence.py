"""Whether the shelf is still where it was: a disk can be unplugged, and a network drive lost, under a program that goes on.

What lies at its path then is nothing, or the empty folder it is mounted on, which would be taken for a new shelf: records
planned there would be hidden as soon as the disk is back.
"""

from __future__ import annotations

import threading
from pathlib import Path

from sidekeep.errors import ShelfError
from sidekeep.shelf.index.catalogue import record_folders
from sidekeep.shelf.index.index_faults import CATALOGUE

_held_records: set[Path] = set()
_lock = threading.Lock()


def seen_with_records(shelf: Path) -> None:
    """This process has seen records on the shelf."""
    with _lock:
        _held_records.add(shelf)


def refuse_gone(shelf: Path) -> None:
    """Raise ShelfError when records were seen on the shelf, and now there is neither its index nor any record."""
    with _lock:
        held = shelf in _held_records
    if held and not (shelf / CATALOGUE).exists() and not (shelf.is_dir() and record_folders(shelf)):
        raise ShelfError("shelf-gone", shelf=shelf)
