"""Opening the shelf's index whatever has become of it: damaged, half made, or on a disk that cannot be written to."""

from __future__ import annotations

import contextlib
import logging
import os
from pathlib import Path

from sidekeep.errors import ShelfError
from sidekeep.files.atomic import copy_error
from sidekeep.shelf.index.catalogue import Catalogue
from sidekeep.shelf.index.index_faults import CATALOGUE, DamagedIndex, NewerIndex, UnwritableIndex
from sidekeep.shelf.record_folder import RecordFolder

KEPT_ASIDE = 3
_log = logging.getLogger(__name__)


def open_index(shelf: Path) -> Catalogue:
    """The index, made from the record folders where there is none or only half of one. A damaged one is set aside and made
    again. On a disk that is full or read-only what there is can still be read; what is put then is forgotten."""
    try:
        return _kept_index(shelf)
    except UnwritableIndex:
        return _index_to_read(shelf)


def _kept_index(shelf: Path) -> Catalogue:
    try:
        catalogue = Catalogue(shelf)
        catalogue.check()
    except DamagedIndex as error:
        aside = set_aside(shelf)
        _log.warning(
            "%s is damaged (%s); it was set aside as %s and made again",
            error.facts["path"],
            error.facts["reason"],
            aside,
        )
        catalogue = Catalogue(shelf)
    try:
        catalogue.fill()
    except BaseException:
        catalogue.close()
        raise
    return catalogue


def _index_to_read(shelf: Path) -> Catalogue:
    """What lies there when it is whole, else one in memory, made from the folders."""
    with contextlib.suppress(ShelfError):
        if not _has_unwritten_pages(shelf):
            catalogue = Catalogue(shelf, form="as it lies")
            catalogue.check()
            if not catalogue.is_empty:
                return catalogue
            catalogue.close()
    catalogue = Catalogue(shelf, form="passing")
    catalogue.rebuild()
    return catalogue


def _has_unwritten_pages(shelf: Path) -> bool:
    """Whether changes still lie beside the file, which only a writer can bring in or take back."""
    for ending in ("-wal", "-journal"):
        with contextlib.suppress(OSError):
            if (shelf / (CATALOGUE + ending)).stat().st_size > 0:
                return True
    return False


def make_again(shelf: Path) -> list[RecordFolder]:
    """The index made anew, and the folders in it: a whole one in its place, in one step; one that is damaged or too new is set
    aside first, and comes back where another cannot be made."""
    try:
        return _made_in_place(shelf)
    except (DamagedIndex, NewerIndex) as error:
        what = error
    try:
        aside = set_aside(shelf)
    except OSError as error:
        raise copy_error(error, shelf / CATALOGUE) from error
    try:
        folders = _made_in_place(shelf)
    except BaseException:
        with contextlib.suppress(OSError):
            if aside:
                os.replace(shelf / aside, shelf / CATALOGUE)
        raise
    _log.warning("%s; it was set aside as %s", what, aside)
    return folders


def _made_in_place(shelf: Path) -> list[RecordFolder]:
    with Catalogue(shelf) as catalogue:
        catalogue.check()
        return catalogue.rebuild()


def set_aside(shelf: Path) -> str:
    """Rename the index, whatever it is, so that another can be made; the new name, or nothing without one. Of those set aside the
    newest few are kept; a folder in its place is somebody's and stays for good."""
    path = shelf / CATALOGUE
    if not os.path.lexists(path):
        return ""
    before = _those_aside(shelf)
    aside = shelf / f"{CATALOGUE}.damaged-{max(before, default=0) + 1}"
    path.rename(aside)
    for ending in ("-wal", "-shm", "-journal"):
        with contextlib.suppress(OSError):
            (shelf / (CATALOGUE + ending)).unlink()
    for number in sorted(before)[: -(KEPT_ASIDE - 1)]:
        with contextlib.suppress(OSError):
            before[number].unlink()
    return aside.name


def _those_aside(shelf: Path) -> dict[int, Path]:
    """By their numbers."""
    found = {}
    for path in shelf.glob(f"{CATALOGUE}.damaged-*"):
        number = path.name.rpartition("-")[2]
        if number.isascii() and number.isdigit():
            found[int(number)] = path
    return found
