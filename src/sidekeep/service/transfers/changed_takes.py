"""Takes that changed after they were closed, told where none is read: copies that are there already need none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from sidekeep.copies.kept.intact import find_in_bags
from sidekeep.files.checksum import file_sha256
from sidekeep.model.finding import Fact, Finding
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake


def changed_takes(folder: RecordFolder, takes: Sequence[ShelfTake]) -> tuple[Finding, ...]:
    """``take-changed`` for every take that the last check found changed and that still is. Only those are read for it."""
    told = set(_told_by_the_last_check(folder))
    return tuple(
        _finding(take, folder.path / take.folder / file.name, file.sha256)
        for take in takes
        for file in take.files
        if f"{take.folder}/{file.name}" in told
        and _sum_or_none(folder.path / take.folder / file.name) != file.sha256
    )


def _told_by_the_last_check(folder: RecordFolder) -> Iterator[str]:
    last: dict[str, Any] = folder.last_check() or {}
    for what in ("changed", "unreadable"):
        paths = last.get(what)
        yield from map(str, paths if isinstance(paths, list) else ())


def _sum_or_none(path: Path) -> str | None:
    try:
        return file_sha256(path)
    except OSError:
        return None


def _finding(take: ShelfTake, path: Path, sha256: str) -> Finding:
    facts: dict[str, Fact] = {"side": take.side, "take": take.folder_name, "name": path.name}
    if (held := find_in_bags(path, sha256)) is not None:
        facts["kept_in"] = str(held[0])
    return Finding(kind="take-changed", start_frame=0, stop_frame=0, severity="act", facts=facts)
