"""One record on the shelf: a folder a person can read without us.

::

    <Artist> - <Title> (<Year>)/
        record.toml            id, dates, notes of the person
        sleeve.txt             the track list as printed
        art/                   pictures
        takes/A-1/take.wav     the first take of side A, read-only once closed
        takes/A-1/take.json    its facts: format, SHA-256, stylus, how it was taken
        takes/.bin/A-2/        a false start or a discarded take: kept, never used
        cuts.toml recipe.toml  the person's choices
        copies/                finished copies with their manifest
        checks.json            when the files were last verified, and how it went
        inventory.json         the takes and copies that must be there

The folder is the truth; ``shelf.sqlite`` is an index that can be made again from it. Paths inside are
relative, so the folder can be moved anywhere.
"""

from __future__ import annotations

import json
import re
import tomllib
import uuid
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from sidekeep.errors import ShelfError, SleeveError
from sidekeep.files.atomic import write_text
from sidekeep.files.bounded import read_bounded, read_text_bounded
from sidekeep.model.news import News
from sidekeep.model.record import Record
from sidekeep.shelf.sleeve.decoding import MAX_BYTES, decode_sleeve
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.shelf.toml_text import toml_text

State = Literal["planned", "partly taken", "taken", "cut", "copied", "verified", "gone"]
STATES: tuple[State, ...] = ("planned", "partly taken", "taken", "cut", "copied", "verified", "gone")

BIN = ".bin"
"""Folder in ``takes`` for pieces that are no sides; their numbers are not given again."""

_TAKE_FOLDER = re.compile(r"(?P<side>[A-Z]+)-(?P<number>[0-9]+)")


@dataclass(frozen=True, kw_only=True)
class TakeFile:
    """One file of a take, by its name in the take's folder."""

    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, kw_only=True)
class ShelfTake:
    """A closed take and its facts. ``folder`` is relative to the record's folder, such as ``takes/A-1``.

    ``side`` is a letter, or several where one take holds several sides. ``files`` are its pieces in order. ``notes`` are
    what was noticed while it was recorded; ``binned`` says why a take lies in the bin, empty for one that does not.
    """

    side: str
    number: int
    folder: str
    rate_hz: int
    channels: int
    bits: int
    length_frames: int
    files: tuple[TakeFile, ...]
    taken_utc: str
    how: Literal["recorded", "adopted"] = "recorded"
    stylus: str = ""
    input_name: str = ""
    original_name: str = ""
    problems: tuple[str, ...] = ()
    is_float: bool = False
    notes: tuple[News, ...] = ()
    binned: str = ""

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.length_frames / self.rate_hz

    def facts(self) -> dict[str, Any]:
        """As ``take.json`` holds them."""
        values = asdict(self)
        del values["folder"]
        values["notes"] = [note.as_object() for note in self.notes]
        return {"schema": 1, **values}


def read_take(folder: Path, record_folder: Path) -> ShelfTake:
    """The facts of one take folder."""
    try:
        values = json.loads(read_text_bounded(folder / "take.json", "the facts", error=ShelfError))
        if not isinstance(values, dict):
            raise ValueError("it holds no facts")
        values.pop("schema")
        values["files"] = tuple(TakeFile(**file) for file in values["files"])
        values["problems"] = tuple(values.get("problems", ()))
        values["notes"] = tuple(News.from_object(note) for note in values.get("notes", ()))
        take = ShelfTake(folder=folder.relative_to(record_folder).as_posix(), **values)
        _check_facts(take)
        return take
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ShelfError(
            f"{folder / 'take.json'} cannot be read ({error}); its take.wav is untouched"
        ) from error


def _check_facts(take: ShelfTake) -> None:
    """Raise ValueError for facts no take can have: they are read by everything after."""
    for name in ("rate_hz", "channels", "bits", "length_frames", "number"):
        value = getattr(take, name)
        if not isinstance(value, int) or value < (0 if name == "length_frames" else 1):
            raise ValueError(f"{name} is {value!r}")
    for name in ("side", "taken_utc", "stylus", "how"):
        if not isinstance(getattr(take, name), str):
            raise ValueError(f"{name} is {getattr(take, name)!r}")
    for file in take.files:
        if not isinstance(file.name, str) or Path(file.name).name != file.name or not file.name.strip("."):
            raise ValueError(f"{file.name!r} is no name of a file in the take's folder")


@dataclass(frozen=True)
class RecordFolder:
    """The folder of one record. Reads afresh every time: a person may edit files between two calls."""

    path: Path

    @classmethod
    def create(cls, path: Path, *, sleeve: str, notes: str = "") -> RecordFolder:
        """Make the folder with its sleeve; refuses one that is there."""
        try:
            path.mkdir(parents=True)
        except FileExistsError:
            raise ShelfError(f"{path.name} is already on the shelf") from None
        record_facts = {
            "id": str(uuid.uuid4()),
            "added": datetime.now(UTC).replace(microsecond=0),
            "notes": notes,
        }
        write_text(
            path / "record.toml",
            toml_text(
                record_facts, comment="This record on the shelf. Notes are yours; please leave the id."
            ),
        )
        write_text(path / "sleeve.txt", sleeve)
        for name in ("art", "takes", "copies"):
            (path / name).mkdir()
        return cls(path)

    def facts(self) -> dict[str, Any]:
        """``record.toml`` as values."""
        path = self.path / "record.toml"
        if not path.exists():
            raise ShelfError(f"{self.path} is not a record of the shelf: it has no record.toml")
        text = read_text_bounded(path, "the facts of the record", error=ShelfError)
        try:
            return tomllib.loads(text)
        except (tomllib.TOMLDecodeError, RecursionError) as error:
            raise ShelfError(f"{self.path / 'record.toml'} cannot be read: {error}") from error

    @property
    def record_id(self) -> str:
        """The id that stays when folder and titles change."""
        return str(self.facts().get("id", self.path.name))

    def record(self) -> Record:
        """What the sleeve says."""
        try:
            return read_sleeve(self.sleeve_text())[0]
        except FileNotFoundError:
            return Record(title=self.path.name)

    def sleeve_text(self) -> str:
        """``sleeve.txt`` in whatever usual encoding it was saved. Raises FileNotFoundError, ShelfError."""
        path = self.path / "sleeve.txt"
        if not path.exists():
            raise FileNotFoundError(path)
        raw = read_bounded(path, "the sleeve text", most_bytes=MAX_BYTES, error=ShelfError)
        try:
            return decode_sleeve(raw, str(path))
        except SleeveError as error:
            raise ShelfError(str(error)) from error

    def takes(self) -> list[ShelfTake]:
        """All closed takes, by side and number."""
        return [
            read_take(folder, self.path)
            for folder, _, _ in self._take_folders()
            if (folder / "take.json").exists()
        ]

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
        used = [*self._take_folders(), *self._take_folders(binned=True)]
        number = 1 + max((n for _, name, n in used if name == side), default=0)
        folder = self.path / "takes" / f"{side}-{number}"
        folder.mkdir(parents=True)
        return folder

    def chosen_takes(self) -> list[ShelfTake]:
        """One take per side: the newest, unless ``record.toml`` names another under ``[use]``."""
        use = self.facts().get("use", {})
        if not isinstance(use, dict):
            raise ShelfError(f"{self.path / 'record.toml'}: [use] must be a table such as A = 2")
        chosen: dict[str, ShelfTake] = {}
        for take in self.takes():
            if use.get(take.side, take.number) == take.number:
                chosen[take.side] = take
        return list(chosen.values())

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
        manifests = list((self.path / "copies").rglob("manifest-sha256.txt"))
        if not manifests:
            return "cut"
        check = self.last_check()
        if check is None or not check.get("ok"):
            return "copied"
        checked_s = (self.path / "checks.json").stat().st_mtime
        is_newer = any(manifest.stat().st_mtime > checked_s for manifest in manifests)
        return "copied" if is_newer else "verified"

    def last_check(self) -> dict[str, Any] | None:
        """The newest entry of ``checks.json``."""
        try:
            checks = json.loads((self.path / "checks.json").read_text("utf-8"))
        except (OSError, ValueError):
            return None
        last = checks[-1] if isinstance(checks, list) and checks else None
        return last if isinstance(last, dict) else None

    def _take_folders(self, *, binned: bool = False) -> Iterator[tuple[Path, str, int]]:
        takes = self.path / "takes" / BIN if binned else self.path / "takes"
        found = []
        for folder in takes.iterdir() if takes.is_dir() else ():
            match = _TAKE_FOLDER.fullmatch(folder.name)
            if match and folder.is_dir():
                found.append((folder, match["side"], int(match["number"])))
        yield from sorted(found, key=lambda item: (len(item[1]), item[1], item[2]))
