"""Files as they are called on the disk: some systems store an accent apart from its letter (Unicode's NFD), and a folder that was
copied from there keeps that. What is listed is composed (NFC)."""

from __future__ import annotations

import contextlib
import os
import unicodedata
from collections.abc import Iterable, Iterator
from pathlib import Path


def files_below(root: Path) -> Iterator[str]:
    """Every file below a folder, with ``/``."""
    start = len(os.path.join(root, ""))
    for place, _, names in os.walk(root):
        inside = place[start:].replace(os.sep, "/")
        for name in names:
            yield f"{inside}/{name}" if inside else name


def as_they_lie(root: Path, listed: Iterable[str]) -> dict[str, str]:
    """For every listed path that is there under the same letters stored otherwise: the path it has."""
    absent = [path for path in listed if not path.isascii() and not os.path.lexists(root / path)]
    if not absent:
        return {}
    there = {unicodedata.normalize("NFC", path): path for path in files_below(root)}
    composed = {path: there.get(unicodedata.normalize("NFC", path)) for path in absent}
    return {path: found for path, found in composed.items() if found is not None}


def called_as_listed(root: Path, listed: Iterable[str]) -> None:
    """Give such files, and the folders they lie in, the names they are listed by."""
    for path, found in as_they_lie(root, listed).items():
        with contextlib.suppress(OSError):
            (root / path).parent.mkdir(parents=True, exist_ok=True)
            os.rename(root / found, root / path)
