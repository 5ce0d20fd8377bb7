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
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from sidekeep.copies.run.levels import RecordLevels, SoundLevel
from sidekeep.errors import CopyError
from sidekeep.files.atomic import write_json
from sidekeep.files.bounded import LIST_BYTES, decode_json, read_bounded, read_json_bounded

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

    def to_json(self, made_by: str) -> dict[str, Any]:
        """Plain values, in a fixed order."""
        return {
            "schema": SCHEMA,
            "made_by": made_by,
            "facts": dict(self.facts),
            "levels": {key: _levels_to_json(levels) for key, levels in sorted(self.levels.items())},
            "files": [asdict(self.files[path]) for path in sorted(self.files)],
        }


def read_history(folder: Path) -> History:
    """The history of a folder; an empty one when there is none yet.

    Raises ``CopyError`` for one that cannot be read: without it nothing in the folder is known as ours.
    """
    path = folder / HISTORY_NAME
    if not path.exists():
        return History()
    text = read_bounded(path, "the history", most_bytes=LIST_BYTES, error=CopyError)
    try:
        value: Any = decode_json(text)
        files = {entry["path"]: _entry(entry) for entry in value["files"]}
        # Levels without those of the sides are of an earlier version, and measured again.
        levels = {key: _levels_from_json(each) for key, each in value["levels"].items() if "sides" in each}
        return History(files=files, levels=levels, facts=value.get("facts", {}))
    except (ValueError, KeyError, TypeError, AttributeError) as problem:
        reason = f"{problem} is missing" if isinstance(problem, KeyError) else problem
        raise CopyError(
            f"{path} is damaged ({reason}); move the folder {folder.name} away, and make the copies again"
        ) from None


def _entry(value: Mapping[str, Any]) -> FileEntry:
    """One entry. A path that leaves the folder is no entry of ours: what it names would be read and removed."""
    path = value["path"]
    parts = re.split(r"[/\\]", path)
    if not path or ".." in parts or "" in parts or "\0" in path or ":" in parts[0] or os.path.isabs(path):
        raise ValueError(f"it names {path!r}, which is outside its folder")
    return FileEntry(**{**value, "sides": tuple(value.get("sides", ()))})


def write_history(folder: Path, history: History, made_by: str) -> None:
    """Write it whole, in place of the old one; untouched when nothing changed."""
    value = history.to_json(made_by)
    path = folder / HISTORY_NAME
    text = json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    try:
        if read_bounded(path, "the history", most_bytes=LIST_BYTES, error=CopyError) == text.encode():
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


class Journal:
    """Which files in ``.making`` are whole, and what was measured; written after each one."""

    def __init__(self, making: Path) -> None:
        self._path = making / "journal.json"
        self.staged: dict[str, Staged] = {}
        self.spilled: dict[str, int] = {}
        self.levels: dict[str, RecordLevels] = {}
        try:
            value: Any = read_json_bounded(self._path, "the journal", most_bytes=LIST_BYTES, error=CopyError)
            self.staged = {key: Staged(**each) for key, each in value["staged"].items()}
            self.spilled = {key: int(size) for key, size in value["spilled"].items()}
            self.levels = {key: _levels_from_json(each) for key, each in value["levels"].items()}
        except (CopyError, ValueError, KeyError, TypeError):
            # No journal, or a torn one: everything in the folder is made again.
            self.staged, self.spilled, self.levels = {}, {}, {}

    def save(self) -> None:
        """Bring it to the disk."""
        value = {
            "staged": {key: asdict(each) for key, each in self.staged.items()},
            "spilled": self.spilled,
            "levels": {key: _levels_to_json(levels) for key, levels in self.levels.items()},
        }
        write_json(self._path, value, replace=True)


def _levels_to_json(levels: RecordLevels) -> dict[str, Any]:
    return {
        "record": asdict(levels.record),
        "sides": [[side, asdict(levels.sides[side])] for side in sorted(levels.sides)],
        "tracks": [[*piece, asdict(levels.tracks[piece])] for piece in sorted(levels.tracks)],
    }


def _levels_from_json(value: Mapping[str, Any]) -> RecordLevels:
    return RecordLevels(
        record=SoundLevel(**value["record"]),
        sides={side: SoundLevel(**level) for side, level in value["sides"]},
        tracks={(side, track): SoundLevel(**level) for side, track, level in value["tracks"]},
    )
