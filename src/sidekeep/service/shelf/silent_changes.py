"""What no list of checksums holds, because a person or the tool may write to it at any time: texts, facts, pictures of a record.

A disk that rots touches no time: what differs from the last check while its time of writing is the same was changed by nobody.
Copied, restored and edited files have other times, are taken as they are and noted anew.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sidekeep.files.checksum import file_sha256

Noted = dict[str, list[Any]]
"""Path in the record's folder to SHA-256 and time of writing in nanoseconds."""
_SETTLES_S = 5.0
"""FAT keeps times to 2 s (Microsoft, "File Times"): what was written a moment ago may be written to once more without another
time."""
_TEXTS = ("record.toml", "sleeve.txt", "cuts.toml", "recipe.toml", "history.jsonl")


def silent_changes(record: Path, before: Any) -> tuple[list[str], Noted]:
    """One sentence for every file that changed and was not written to since ``before`` was noted, and what to note now. Such a
    file keeps its old note, so that it is told until somebody saves or restores it."""
    known: dict[Any, Any] = before if isinstance(before, dict) else {}
    told: list[str] = []
    noted: Noted = {}
    now_ns = time.time_ns()
    for path in _watched(record):
        name = path.relative_to(record).as_posix()
        with contextlib.suppress(OSError):
            written_ns, found = path.stat().st_mtime_ns, file_sha256(path)
            match known.get(name):
                case [str(wanted), int(when)] if when == written_ns and wanted != found:
                    noted[name] = [wanted, when]
                    told.append(
                        f"{name} is not what it was at the last check, and nobody has written to it since: the disk may be "
                        "failing; compare it with a backup, and save it once more where it is right"
                    )
                case _ if now_ns - written_ns > _SETTLES_S * 1e9:
                    noted[name] = [found, written_ns]
    return told, noted


def _watched(record: Path) -> Iterator[Path]:
    yield from (record / name for name in _TEXTS)
    yield from sorted((record / "takes").glob("*/take.json"))
    yield from sorted(path for path in (record / "art").rglob("*") if path.is_file())
