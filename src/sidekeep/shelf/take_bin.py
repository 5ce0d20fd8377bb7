"""Takes that are no sides go to a bin within the record's folder, whole, and come back from it whole.

The folder moves, ``take.json`` says why; only emptying the bin, which a person asks for, deletes. A take whose side was
named wrongly gets the next free number of the right side in the same way.
"""

from __future__ import annotations

import os
import shutil
import stat
from dataclasses import replace
from pathlib import Path

from sidekeep.errors import ShelfError
from sidekeep.files.atomic import write_json
from sidekeep.shelf.inventory import Inventory, read_inventory, write_inventory
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import BIN, ShelfTake


def bin_take(folder: RecordFolder, take: ShelfTake, why: str) -> ShelfTake:
    """Move a take to the bin; ``why`` is a code such as ``lifted``."""
    return _move(folder, take, folder.path / "takes" / BIN / f"{take.side}-{take.number}", binned=why)


def restore_take(folder: RecordFolder, take: ShelfTake) -> ShelfTake:
    """Out of the bin, under its old number or, when that was given again, the next free one."""
    place = folder.path / "takes" / f"{take.side}-{take.number}"
    if place.exists():
        place = folder.new_take_folder(take.side)
        place.rmdir()
    return _move(folder, take, place, binned="")


def relabel_take(folder: RecordFolder, take: ShelfTake, side: str) -> ShelfTake:
    """The take is another side than was thought: the next free number of that side."""
    if side == take.side:
        return take
    place = folder.new_take_folder(side)
    place.rmdir()
    return _move(folder, replace(take, side=side), place, binned=take.binned)


def empty_take_bin(folder: RecordFolder) -> int:
    """Remove the takes in the bin for good; how many. Verifying does not miss them afterwards."""
    binned = folder.binned()
    here = {tuple(sorted(file.sha256 for file in take.files)) for take in folder.takes()}
    gone = {tuple(sorted(file.sha256 for file in take.files)) for take in binned} - here
    before = read_inventory(folder.path)
    takes = {name: files for name, files in before.takes.items() if tuple(sorted(files.values())) not in gone}
    write_inventory(folder.path, Inventory(takes=takes, copies=before.copies))
    for take in binned:
        remove_folder(folder.path / take.folder)
    return len(binned)


def remove_folder(place: Path) -> None:
    """Delete a folder with everything in it, read-only recordings too. Raises ``ShelfError``."""
    try:
        for path in place.rglob("*"):  # elsewhere than on POSIX a read-only file cannot be removed
            if os.name == "nt" and path.is_file():
                path.chmod(stat.S_IWRITE)
        shutil.rmtree(place)
    except OSError as error:
        raise ShelfError("not-removed", path=place, reason=error.strerror) from error


def _move(folder: RecordFolder, take: ShelfTake, place: Path, *, binned: str) -> ShelfTake:
    source = folder.path / take.folder
    moved = replace(
        take,
        number=int(place.name.rpartition("-")[2]),
        folder=place.relative_to(folder.path).as_posix(),
        binned=binned,
    )
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        os.rename(source, place)
    except OSError as error:
        raise ShelfError("not-moved-to", path=take.folder, to=moved.folder, reason=error.strerror) from error
    write_json(place / "take.json", moved.facts(), replace=True)
    return moved
