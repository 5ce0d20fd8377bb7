"""The records of one shelf by their ids, never by a path that somebody sent.

An id is looked up in what is really on the shelf; a string that is no id of ours finds nothing, whatever it
holds. Records carry theirs in ``record.toml``. A take's id is made of its record's id, its folder and the checksums of
its files: the same for ever, stored nowhere, and another one for any other sound.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import ChangedElsewhere, NotThere, ShelfError, SleeveError
from sidekeep.files.checksum import text_sha256
from sidekeep.service.choices.edits import revision_of
from sidekeep.service.shelf.presence import refuse_gone
from sidekeep.service.shelf.records import index_record, list_records, open_catalogue, plan_sleeve
from sidekeep.shelf.index.catalogue import Entry, record_folders
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from sidekeep.shelf.shelf_take import ShelfTake, read_take
from sidekeep.shelf.take_bin import bin_take, empty_take_bin, remove_folder, restore_take

BIN = ".bin"
LONGEST_SLEEVE = 200_000
AHEAD_S = 2.0
MOST_AHEAD = 20


@dataclass(frozen=True, kw_only=True)
class FoundTake:
    """A take with the record it belongs to."""

    take_id: str
    record_id: str
    folder: RecordFolder
    take: ShelfTake

    @property
    def path(self) -> Path:
        """The take's own folder."""
        return self.folder.path / self.take.folder

    @property
    def files(self) -> tuple[Path, ...]:
        """Its pieces in order."""
        return tuple(self.path / file.name for file in self.take.files)


def take_id(record_id: str, take: ShelfTake) -> str:
    """The id of a take of a record."""
    parts = [record_id, take.folder, *(file.sha256 for file in take.files)]
    return text_sha256("\n".join(parts))[:20]


class Library:
    """One shelf. Reads afresh what may have changed; remembers only which folder has which id."""

    def __init__(self, shelf: Path) -> None:
        self.shelf = shelf
        self._lock = threading.Lock()
        self._folders: dict[str, Path] = {}
        self._takes: dict[str, tuple[str, str]] = {}

    def entries(self, words: str = "", state: str = "") -> list[Entry]:
        """The index of the shelf: all records, or those that hold the words."""
        refuse_gone(self.shelf)
        if not self.shelf.is_dir():
            return []
        return list_records(self.shelf, words, state=state)

    def folder(self, record_id: str) -> RecordFolder:
        """The record of an id. Raises ``NotThere``."""
        with self._lock:
            known = self._folders.get(record_id)
        if known is None or not _is_record(known, record_id):
            refuse_gone(self.shelf)
            known = self._look_for(record_id)
        return RecordFolder(known)

    def _look_for(self, record_id: str) -> Path:
        found: dict[str, Path] = {}
        for folder in record_folders(self.shelf) if self.shelf.is_dir() else ():
            with contextlib.suppress(ShelfError):
                found.setdefault(folder.record_id, folder.path)
        with self._lock:
            self._folders = found
        if record_id not in found:
            raise NotThere("no-record")
        return found[record_id]

    def takes(self, record_id: str) -> list[FoundTake]:
        """All closed takes of a record."""
        folder = self.folder(record_id)
        return self._found(record_id, folder, folder.takes())

    def _found(self, record_id: str, folder: RecordFolder, takes: Iterable[ShelfTake]) -> list[FoundTake]:
        found = [
            FoundTake(take_id=take_id(record_id, take), record_id=record_id, folder=folder, take=take)
            for take in takes
        ]
        with self._lock:
            self._takes.update({each.take_id: (record_id, each.take.folder) for each in found})
        return found

    def take(self, wanted: str, *, also_binned: bool = False) -> FoundTake:
        """The take of an id; with ``also_binned`` also one in its record's bin. Raises ``NotThere``."""
        if also_binned:
            with contextlib.suppress(NotThere):
                return self._binned_take(wanted)
        with self._lock:
            record_id = self._takes.get(wanted, ("", ""))[0]
        candidates = [record_id] if record_id else []
        for attempt in range(2):
            for each in candidates:
                with contextlib.suppress(NotThere):
                    for found in self.takes(each):
                        if found.take_id == wanted:
                            return found
            if attempt == 0:
                candidates = self.record_ids()
        raise NotThere("no-take")

    def record_ids(self) -> list[str]:
        """The ids of all records, read from their folders."""
        with contextlib.suppress(NotThere):
            self._look_for("")
        with self._lock:
            return list(self._folders)

    def expect(self, record_id: str, revision: int | None) -> RecordFolder:
        """The record, if it still is as the caller last saw it. Raises ``ChangedElsewhere``."""
        folder = self.folder(record_id)
        if revision is not None and revision != (now := revision_of(folder)):
            raise ChangedElsewhere("changed-elsewhere", revision=now, expected_revision=revision)
        return folder

    def folder_at(self, record_id: str, revision: int | None) -> RecordFolder:
        """The record, once the changes ahead of a revision have come: a page that goes sends what it has not sent yet all at
        once, and requests overtake each other. A revision that never comes is waited for a moment only."""
        folder = self.folder(record_id)
        end = time.monotonic() + AHEAD_S
        while (
            revision is not None
            and 0 < revision - revision_of(folder) <= MOST_AHEAD
            and time.monotonic() < end
        ):
            time.sleep(0.02)
        return folder

    def create(self, text: str) -> str:
        """Put a record on the shelf from its sleeve text; its id."""
        if len(text) > LONGEST_SLEEVE:
            raise SleeveError("sleeve-too-long", characters=len(text), most=LONGEST_SLEEVE)
        folder = plan_sleeve(self.shelf, text)
        with self._lock:
            self._folders[folder.record_id] = folder.path
        return folder.record_id

    def index(self, folder: RecordFolder) -> None:
        """Tell the shelf's index that a record changed."""
        index_record(self.shelf, folder)

    def discard(self, record_id: str) -> None:
        """Put a record into the shelf's bin: nothing of it is lost until the bin is emptied by hand. Raises ``RecordBusy``
        while a job is at work on it."""
        folder = self.folder(record_id)
        bin_folder = self.shelf / BIN
        bin_folder.mkdir(exist_ok=True)
        with at_work(folder.path, "discarding"):
            os.rename(folder.path, _free_name(bin_folder, folder.path.name))
        with self._lock:
            self._folders.pop(record_id, None)
        with open_catalogue(self.shelf) as catalogue:
            catalogue.forget(record_id)

    def discarded(self) -> list[RecordFolder]:
        """The records in the bin."""
        place = self.shelf / BIN
        return [RecordFolder(path.parent) for path in sorted(place.glob("*/record.toml"))]

    def restore(self, record_id: str) -> None:
        """Take a record out of the bin again."""
        for folder in self.discarded():
            if folder.record_id == record_id:
                place = _free_name(self.shelf, folder.path.name)
                os.rename(folder.path, place)
                self.index(RecordFolder(place))
                return
        raise NotThere("record-not-in-bin")

    def empty_bin(self) -> int:
        """Remove the records in the bin for good; how many."""
        discarded = self.discarded()
        for folder in discarded:
            remove_folder(folder.path)
        return len(discarded)

    def empty_take_bin(self, record_id: str, revision: int | None) -> int:
        """Remove the takes in a record's bin for good; how many. Raises as ``move_take``."""
        folder = self.expect(record_id, revision)
        with at_work(folder.path, "emptying its bin"):
            return empty_take_bin(folder)

    def binned(self, record_id: str) -> list[FoundTake]:
        """The takes of a record that lie in its bin."""
        folder = self.folder(record_id)
        return self._found(record_id, folder, folder.binned())

    def move_take(self, wanted: str, revision: int | None, *, out: bool) -> tuple[str, ShelfTake]:
        """Put a take into its record's bin, or take it ``out`` again; its record and the take as it is then. Raises
        ``NotThere``, ``ChangedElsewhere``, and ``RecordBusy`` while a job is at work on the record."""
        found = self._binned_take(wanted) if out else self.take(wanted)
        folder = self.expect(found.record_id, revision)
        with at_work(folder.path, "moving a take"):
            # As its own file says: [plays] of the record may call its side by another letter.
            take = read_take(found.path, folder.path)
            moved = restore_take(folder, take) if out else bin_take(folder, take, "discard")
        self.index(folder)
        return found.record_id, moved

    def _binned_take(self, wanted: str) -> FoundTake:
        with self._lock:
            record_id = self._takes.get(wanted, ("", ""))[0]
        for each in [record_id] if record_id else self.record_ids():
            with contextlib.suppress(NotThere):
                for found in self.binned(each):
                    if found.take_id == wanted:
                        return found
        raise NotThere("take-not-in-bin")

    def free_bytes(self) -> int:
        """Room left on the shelf's disk."""
        place = self.shelf
        while not place.exists() and place != place.parent:
            place = place.parent
        return shutil.disk_usage(place).free

    def is_writable(self) -> bool:
        """Whether something can be put on the shelf."""
        try:
            refuse_gone(self.shelf)
        except ShelfError:
            return False
        place = self.shelf
        while not place.exists() and place != place.parent:
            place = place.parent
        return os.access(place, os.W_OK)


def _is_record(path: Path, record_id: str) -> bool:
    try:
        return RecordFolder(path).record_id == record_id
    except ShelfError:
        return False


def _free_name(place: Path, name: str) -> Path:
    path, number = place / name, 2
    while path.exists():
        path, number = place / f"{name} [{number}]", number + 1
    return path
