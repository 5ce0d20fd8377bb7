"""One record on the shelf: a folder a person can read without us.

::

    <Artist> - <Title> (<Year>)/
        record.toml            id, dates, notes of the person
        sleeve.txt             the track list as printed
        art/                   pictures
        takes/A-1/take.wav     the first take of side A, read-only once closed
        takes/A-1/take.json    its facts: format, SHA-256, stylus, how it was taken
        takes/.bin/A-2/        a false start or a discarded take: kept, never used
        cuts.toml recipe.toml  the person's choices; history.jsonl: every change of them
        copies/                finished copies with their manifest
        checks.json            when the files were last verified, and how it went
        inventory.json         the takes and copies that must be there

The folder is the truth; ``shelf.sqlite`` is an index that can be made again from it. Paths inside are
relative, so the folder can be moved anywhere.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from sidekeep.errors import CopyError, ShelfError, SleeveError
from sidekeep.files.atomic import copy_error, flush_folder, forget_parts, part_path, told_as, write_text
from sidekeep.files.bounded import kept_json, read_bounded, read_text_bounded
from sidekeep.files.checksum import file_sha256, text_sha256
from sidekeep.model.record import Record
from sidekeep.shelf.shelf_take import BIN, TAKE_FOLDER, ShelfTake, read_take
from sidekeep.shelf.sleeve.decoding import MAX_BYTES, decode_sleeve
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.shelf.take_choice import ChosenTakes, choose_takes
from sidekeep.shelf.toml_text import new_toml, read_toml

State = Literal["planned", "partly taken", "taken", "cut", "copied", "verified", "gone"]
STATES: tuple[State, ...] = ("planned", "partly taken", "taken", "cut", "copied", "verified", "gone")
_NEW = ".new"


def _table(facts: Mapping[str, Any], name: str) -> dict[str, Any]:
    table = facts.get(name, {})
    if not isinstance(table, dict):
        raise ShelfError("record-table", name=name)
    return dict(table)


@lru_cache(maxsize=1000)
def _record_of(sleeve_text: str) -> Record:
    """A large shelf reads each of its sleeves for the index, for the list and for how far a record has come."""
    return read_sleeve(sleeve_text)[0]


@dataclass(frozen=True)
class RecordFolder:
    """The folder of one record. Reads afresh every time: a person may edit files between two calls."""

    path: Path

    @classmethod
    def create(cls, path: Path, *, sleeve: str, notes: str = "") -> RecordFolder:
        """Make the folder with its sleeve, whole or not at all, also where the process is killed; refuses one that is there."""
        path.parent.mkdir(parents=True, exist_ok=True)
        if os.path.lexists(path):
            raise ShelfError("on-shelf-already", name=path.name)
        forget_parts(path.parent)
        record_facts = {
            "id": str(uuid.uuid4()),
            "added": datetime.now(UTC).replace(microsecond=0),
            "notes": notes,
        }
        # A name with a dot in front is passed over by whoever looks for records meanwhile.
        making = part_path(path.with_name(_NEW))
        try:
            making.mkdir()
            write_text(
                making / "record.toml",
                new_toml(
                    record_facts, comment="This record on the shelf. Notes are yours; please leave the id."
                ),
            )
            write_text(making / "sleeve.txt", sleeve)
            for name in ("art", "takes", "copies"):
                (making / name).mkdir()
            os.rename(making, path)
        except OSError as error:
            # half a record would keep its name from the whole one
            shutil.rmtree(making, ignore_errors=True)
            if error.errno in (errno.EEXIST, errno.ENOTEMPTY):
                raise ShelfError("on-shelf-already", name=path.name) from None
            raise copy_error(error, path) from error
        except BaseException as error:
            shutil.rmtree(making, ignore_errors=True)
            if isinstance(error, CopyError):
                raise told_as(error, making, path) from error
            raise
        with contextlib.suppress(OSError):
            flush_folder(path.parent)
        return cls(path)

    def facts(self) -> dict[str, Any]:
        """``record.toml`` as values."""
        path = self.path / "record.toml"
        if not path.exists():
            raise ShelfError("not-a-record", path=self.path)
        text = read_text_bounded(path, "facts-of-the-record", error=ShelfError)
        return read_toml(text, str(path))

    @property
    def record_id(self) -> str:
        """The id that stays when folder and titles change."""
        return str(self.facts().get("id", self.path.name))

    def record(self) -> Record:
        """What the sleeve says."""
        try:
            return _record_of(self.sleeve_text())
        except FileNotFoundError:
            return Record(title=self.path.name)

    def sleeve_text(self) -> str:
        """``sleeve.txt`` in whatever usual encoding it was saved. Raises FileNotFoundError, ShelfError."""
        path = self.path / "sleeve.txt"
        if not path.exists():
            raise FileNotFoundError(path)
        raw = read_bounded(path, "sleeve-text", most_bytes=MAX_BYTES, error=ShelfError)
        try:
            return decode_sleeve(raw, str(path))
        except SleeveError as error:
            raise ShelfError(error.code, **error.facts) from error

    def takes(self, plays: Mapping[str, str] | None = None) -> list[ShelfTake]:
        """All closed takes, by side and number. ``plays`` says which side a take really holds, by the name of its folder,
        where it is another than that name; without it ``[plays]`` of ``record.toml`` does."""
        plays = _table(self.facts(), "plays") if plays is None else plays
        found = [
            read_take(folder, self.path)
            for folder, _, _ in self._take_folders()
            if (folder / "take.json").exists()
        ]
        named = [replace(take, side=str(plays.get(take.folder_name, take.side))) for take in found]
        return sorted(named, key=lambda take: (len(take.side), take.side, take.number))

    def binned(self) -> list[ShelfTake]:
        """False starts and discarded takes: kept, never used (``shelf.take_bin``)."""
        return [
            read_take(folder, self.path)
            for folder, _, _ in self._take_folders(binned=True)
            if (folder / "take.json").exists()
        ]

    def unfinished(self) -> list[Path]:
        """Take folders with sound but without facts: something ended before the take was closed."""
        return [
            folder
            for folder, _, _ in self._take_folders()
            if not (folder / "take.json").exists() and (folder / "take.wav").exists()
        ]

    def new_take_folder(self, side: str) -> Path:
        """Makes the next free ``takes/<side>-<n>``."""
        folder = self.free_take_folder(side)
        folder.mkdir(parents=True)
        return folder

    def free_take_folder(self, side: str) -> Path:
        """The next free ``takes/<side>-<n>``, not yet made."""
        used = [*self._take_folders(), *self._take_folders(binned=True)]
        number = 1 + max((n for _, name, n in used if name == side), default=0)
        return self.path / "takes" / f"{side}-{number}"

    def chosen_takes(self) -> list[ShelfTake]:
        """The takes that copies are made from (``choose_takes``)."""
        return list(self.choose_takes().takes)

    def choose_takes(
        self, use: Mapping[str, int] | None = None, plays: Mapping[str, str] | None = None
    ) -> ChosenTakes:
        """One take for every side, and what there is to tell about the choice. ``use`` and ``plays`` are those of
        ``record.toml`` when they are not given."""
        use = _table(self.facts(), "use") if use is None else use
        return choose_takes(self.takes(plays), use)

    def state(self) -> State:
        """How far the record has come."""
        taken = {letter for take in self.takes() for letter in take.side}
        if not taken:
            return "planned"
        wanted = {side.name for side in self.record().sides}
        if not wanted <= taken:
            return "partly taken"
        if not (self.path / "cuts.toml").exists():
            return "taken"
        if not self._manifests():
            return "cut"
        check = self.last_check() or {}
        return "verified" if check.get("ok") and check.get("covers") == self.covers() else "copied"

    def covers(self) -> str:
        """One checksum over all that a check goes by: those of the takes, and the lists of the copies. It changes with every take
        and every run of copies, whatever the clocks of this and other disks say."""
        takes = [f"{take.folder} {take.sha256}" for take in self.takes()]
        lists = [
            f"{path.relative_to(self.path).as_posix()} {file_sha256(path)}" for path in self._manifests()
        ]
        return text_sha256("\n".join(sorted(takes) + lists))

    def _manifests(self) -> list[Path]:
        return sorted((self.path / "copies").rglob("manifest-sha256.txt"))

    def last_check(self) -> dict[str, Any] | None:
        """The newest entry of ``checks.json``."""
        checks: Any = kept_json(self.path / "checks.json")
        last = checks[-1] if isinstance(checks, list) and checks else None
        return last if isinstance(last, dict) else None

    def _take_folders(self, *, binned: bool = False) -> Iterator[tuple[Path, str, int]]:
        takes = self.path / "takes" / BIN if binned else self.path / "takes"
        found = []
        for folder in takes.iterdir() if takes.is_dir() else ():
            match = TAKE_FOLDER.fullmatch(folder.name)
            if match and folder.is_dir():
                found.append((folder, match["side"], int(match["number"])))
        yield from sorted(found, key=lambda item: (len(item[1]), item[1], item[2]))
