"""What made what: ``history.json`` at the top of a record's folder, and the journal of a run under way.

The history names every file of the copies with its keys and checksum, so that the next run knows which files
are its own, which are up to date and which the person has changed. It holds no clock time but what it is
given. The journal lives in the ``.making`` folder with the files that are finished but not yet named.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from sidekeep.copies.tracks.levels import HeardTrack, RecordLevels, SoundLevel
from sidekeep.errors import CopyError
from sidekeep.files.atomic import write_json
from sidekeep.files.bounded import LIST_BYTES, decode_json, kept_json, read_bounded

HISTORY_NAME = "history.json"
MAKING_FOLDER = ".making"
SCHEMA = 1


@dataclass(frozen=True, kw_only=True)
class FileEntry:
    """One finished file. ``payload_sha256`` is of its coded audio without tags; ``lowered_db`` is of lossy copies,
    ``true_peak_dbtp`` of those and of copies at another rate than the take's. ``before_sha256`` is of the file this one is
    just replacing. ``sides`` are the sides whose sound is in it, ``label`` is its line in a playlist."""

    path: str
    kind: str
    sha256: str
    size_bytes: int
    audio_key: str = ""
    tag_key: str = ""
    payload_sha256: str = ""
    length_frames: int = 0
    rate_hz: int = 0
    lowered_db: float = 0.0
    true_peak_dbtp: float | None = None
    before_sha256: str = ""
    sides: tuple[str, ...] = ()
    label: str = ""


@dataclass
class History:
    """Entries by path, and the levels that were measured, by the key of the record's sound."""

    files: dict[str, FileEntry] = field(default_factory=dict)
    levels: dict[str, RecordLevels] = field(default_factory=dict)
    facts: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self, made_by: str) -> Any:
        """Plain values, in a fixed order."""
        return msgspec.to_builtins(
            _HistoryFile(
                schema=SCHEMA,
                made_by=made_by,
                facts=dict(self.facts),
                levels={key: _LevelsFile.of(levels) for key, levels in sorted(self.levels.items())},
                files=[self.files[path] for path in sorted(self.files)],
            )
        )


class _LevelsFile(msgspec.Struct):
    """Levels as they stand in a file: JSON has no keys of two numbers."""

    record: SoundLevel
    tracks: list[tuple[int, int, SoundLevel]]
    sides: list[tuple[int, SoundLevel]] | None = None

    @classmethod
    def of(cls, levels: RecordLevels) -> _LevelsFile:
        return cls(
            record=levels.record,
            sides=[(side, levels.sides[side]) for side in sorted(levels.sides)],
            tracks=[(*piece, levels.tracks[piece]) for piece in sorted(levels.tracks)],
        )

    def levels(self) -> RecordLevels | None:
        """None for those of an earlier version, which had none of the sides: they are measured again."""
        if self.sides is None:
            return None
        return RecordLevels(
            record=self.record,
            sides=dict(self.sides),
            tracks={(side, track): level for side, track, level in self.tracks},
        )


def _known(kept: Mapping[str, _LevelsFile]) -> dict[str, RecordLevels]:
    return {key: levels for key, each in kept.items() if (levels := each.levels()) is not None}


class _HistoryFile(msgspec.Struct, kw_only=True):
    schema: int = SCHEMA
    made_by: str = ""
    facts: dict[str, Any] = {}
    levels: dict[str, _LevelsFile]
    files: list[FileEntry]


def read_history(folder: Path) -> History:
    """The history of a folder; an empty one when there is none yet.

    Raises ``CopyError`` for one that cannot be read: without it nothing in the folder is known as ours.
    """
    path = folder / HISTORY_NAME
    if not path.exists():
        return History()
    text = read_bounded(path, "history", most_bytes=LIST_BYTES, error=CopyError)
    try:
        kept: _HistoryFile = decode_json(text, _HistoryFile)
        for entry in kept.files:
            _refuse_outside(entry.path)
    except ValueError as problem:
        raise CopyError("history-damaged", path=path, reason=problem, folder=folder.name) from None
    return History(
        files={entry.path: entry for entry in kept.files}, levels=_known(kept.levels), facts=kept.facts
    )


def _refuse_outside(path: str) -> None:
    """A path that leaves the folder is no entry of ours: what it names would be read and removed."""
    parts = re.split(r"[/\\]", path)
    if not path or ".." in parts or "" in parts or "\0" in path or ":" in parts[0] or os.path.isabs(path):
        raise ValueError(f"it names {path!r}, which is outside its folder")


def write_history(folder: Path, history: History, made_by: str) -> None:
    """Write it whole, in place of the old one; untouched when nothing changed."""
    value = history.to_json(made_by)
    path = folder / HISTORY_NAME
    text = json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    try:
        if read_bounded(path, "history", most_bytes=LIST_BYTES, error=CopyError) == text.encode():
            return
    except CopyError:
        pass
    write_json(path, value, replace=True)


@dataclass(frozen=True, kw_only=True)
class Staged:
    """A finished audio file without its tags, waiting in ``.making``."""

    payload_sha256: str
    lowered_db: float = 0.0
    true_peak_dbtp: float | None = None


class MakingJournal:
    """Which files in ``.making`` are whole, and what was measured; written after each one."""

    def __init__(self, making: Path) -> None:
        self._path = making / "journal.json"
        self.staged: dict[str, Staged] = {}
        self.spilled: dict[str, int] = {}
        self.levels: dict[str, RecordLevels] = {}
        self.heard: dict[str, HeardTrack] = {}
        kept: _JournalFile | None = kept_json(self._path, _JournalFile, most_bytes=LIST_BYTES)
        if kept is not None:  # without one, or with a torn one, everything in the folder is made again
            self.staged, self.spilled, self.levels = kept.staged, kept.spilled, _known(kept.levels)
            self.heard = {key: heard for key, each in kept.heard.items() if (heard := each.heard())}

    def save(self) -> None:
        """Bring it to the disk."""
        levels = {key: _LevelsFile.of(levels) for key, levels in self.levels.items()}
        heard = {key: _HeardFile.of(each) for key, each in self.heard.items()}
        kept = _JournalFile(staged=self.staged, spilled=self.spilled, levels=levels, heard=heard)
        write_json(self._path, msgspec.to_builtins(kept), replace=True)


class _HeardFile(msgspec.Struct):
    """``powers``: float64, little-endian, in base 64."""

    powers: bytes
    true_peak: float
    length_frames: int

    @classmethod
    def of(cls, heard: HeardTrack) -> _HeardFile:
        return cls(heard.powers.astype("<f8").tobytes(), heard.true_peak, heard.length_frames)

    def heard(self) -> HeardTrack | None:
        """None for what nobody can have heard: it is heard again."""
        if len(self.powers) % 8:
            return None
        powers = np.frombuffer(self.powers, "<f8").astype(np.float64)
        if not np.isfinite(powers).all() or self.true_peak < 0.0:
            return None
        return HeardTrack(powers=powers, true_peak=self.true_peak, length_frames=self.length_frames)


class _JournalFile(msgspec.Struct):
    staged: dict[str, Staged]
    spilled: dict[str, int]
    levels: dict[str, _LevelsFile]
    heard: dict[str, _HeardFile] = {}
