"""Which takes a person means: files, take folders, or takes on the shelf by words such as ``tallow/A-2``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import ShelfError
from sidekeep.files.reading.reader import open_take
from sidekeep.files.reading.source import FileSource
from sidekeep.service.shelf.records import find_record
from sidekeep.shelf.record_folder import BIN, RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake, read_take

_TAKE_NAME = re.compile(r"(?P<side>[A-Za-z]+)-(?P<number>[0-9]+)")


@dataclass(frozen=True, kw_only=True)
class NamedTake:
    """A take to compare or combine. ``record`` and ``take`` are set for takes on the shelf."""

    name: str
    source: FileSource
    paths: tuple[Path, ...]
    record: RecordFolder | None = None
    take: ShelfTake | None = None


def named_take(
    shelf: Path, name: str, beside: NamedTake | None = None, *, also_binned: bool = False
) -> NamedTake:
    """The take behind a name: a file, a take's folder, ``WORDS/A-2``, or ``A-2`` alone for the record of ``beside``; with
    ``also_binned`` also one that lies in its record's bin."""
    path = Path(name).expanduser()
    if path.is_file():
        return NamedTake(name=path.name, source=open_take([path]), paths=(path,))
    if path.is_dir() and (path / "take.json").exists():
        takes = path.parent.parent if path.parent.name == BIN else path.parent
        return _on_shelf(RecordFolder(takes.parent), path)
    words, _, last = name.rpartition("/")
    match = _TAKE_NAME.fullmatch(last)
    if match is None:
        raise ShelfError("take-unknown", name=name)
    if words:
        record = find_record(shelf, words)
    elif beside is not None and beside.record is not None:
        record = beside.record
    else:
        raise ShelfError("take-of-which-record", name=name, take=last)
    own = f"{match['side'].upper()}-{int(match['number'])}"
    folder = record.path / "takes" / own
    if also_binned and not folder.exists():
        folder = record.path / "takes" / BIN / own
    if not (folder / "take.json").exists():
        known = ", ".join(take.folder.rpartition("/")[2] for take in record.takes())
        if not known:
            raise ShelfError("no-takes", name=record.path.name)
        raise ShelfError("no-such-take", name=record.path.name, take=last, known=known)
    return _on_shelf(record, folder)


def _on_shelf(record: RecordFolder, folder: Path) -> NamedTake:
    take = read_take(folder, record.path)
    paths = tuple(folder / file.name for file in take.files)
    return NamedTake(name=folder.name, source=open_take(paths), paths=paths, record=record, take=take)
