"""A closed take on the shelf and its facts, as ``take.json`` in its folder holds them."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from sidekeep.errors import ShelfError
from sidekeep.files.bounded import decode_json, read_bounded
from sidekeep.files.checksum import text_sha256
from sidekeep.model.news import News, with_severity

BIN = ".bin"
"""Folder in ``takes`` for pieces that are no sides; their numbers are not given again."""
TAKE_FOLDER = re.compile(r"(?P<side>[A-Z]+)-(?P<number>[0-9]+)")


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
    number: Annotated[int, msgspec.Meta(ge=1)]
    folder: str
    rate_hz: Annotated[int, msgspec.Meta(ge=1)]
    channels: Annotated[int, msgspec.Meta(ge=1)]
    bits: Annotated[int, msgspec.Meta(ge=1)]
    length_frames: Annotated[int, msgspec.Meta(ge=0)]
    files: tuple[TakeFile, ...]
    taken_utc: str
    how: Literal["recorded", "adopted", "combined"] = "recorded"
    stylus: str = ""
    input_name: str = ""
    original_name: str = ""
    problems: tuple[str, ...] = ()
    is_float: bool = False
    notes: tuple[News, ...] = ()
    binned: str = ""

    @property
    def sha256(self) -> str:
        """The checksum it is known by: its file's, or one over those of its pieces."""
        sums = [file.sha256 for file in self.files]
        return sums[0] if len(sums) == 1 else text_sha256(" ".join(sums))

    @property
    def folder_name(self) -> str:
        """``A-1``."""
        return self.folder.rpartition("/")[2]

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.length_frames / self.rate_hz

    def facts(self) -> dict[str, Any]:
        """As ``take.json`` holds them."""
        values: dict[str, Any] = msgspec.to_builtins(self)
        del values["folder"]
        values["notes"] = [note.as_object() for note in self.notes]
        return {"schema": 1, **values}


def read_take(folder: Path, record_folder: Path) -> ShelfTake:
    """The facts of one take folder."""
    try:
        content = read_bounded(folder / "take.json", "facts", error=ShelfError)
        values: dict[str, Any] = decode_json(content, dict[str, Any])
        values["folder"] = folder.relative_to(record_folder).as_posix()
        if isinstance(notes := values.get("notes"), list):
            values["notes"] = [with_severity(note) for note in notes]
        take = msgspec.convert(values, ShelfTake)
        for file in take.files:
            if Path(file.name).name != file.name or not file.name.strip("."):
                raise ValueError(f"{file.name!r} is no name of a file in the take's folder")
        # Other programs write checksums in capitals.
        take = replace(take, files=tuple(replace(file, sha256=file.sha256.lower()) for file in take.files))
    except (ShelfError, ValueError, msgspec.ValidationError) as error:
        raise ShelfError("take-facts-unread", path=folder / "take.json", reason=error) from error
    match = TAKE_FOLDER.fullmatch(folder.name)
    if match is None:
        return take
    # A take is moved by one rename, and its facts are written after it: killed in between, the name is what holds.
    binned = (take.binned or "discard") if folder.parent.name == BIN else ""
    return replace(take, side=match["side"], number=int(match["number"]), binned=binned)
