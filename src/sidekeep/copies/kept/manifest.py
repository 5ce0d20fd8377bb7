"""``manifest-sha256.txt`` at the top of a record's folder.

One line per file: SHA-256 in hex, two spaces, the path from the folder with ``/``; sorted by path, UTF-8. The
form is that of checksum tools, so that ``sha256sum -c`` reads it. The manifest does not list itself nor the
``.making`` folder.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from sidekeep.errors import CopyError
from sidekeep.files.atomic import copy_error, write_text
from sidekeep.files.bounded import LIST_BYTES, read_text_bounded
from sidekeep.files.checksum import file_sha256

MANIFEST_NAME = "manifest-sha256.txt"
_LINE = re.compile(r"([0-9a-fA-F]{64})[ \t]+\*?(.+)")


def manifest_text(sums: Mapping[str, str]) -> str:
    """Path to checksum, as text."""
    return "".join(f"{sums[path]}  {path}\n" for path in sorted(sums))


def parse_manifest(text: str, name: str = MANIFEST_NAME) -> dict[str, str]:
    """Path to checksum. Raises ``CopyError`` for a line that is not one, or a path that leaves the folder."""
    sums: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        found = _LINE.fullmatch(line.strip("\r\n"))
        if not found or "\0" in line:
            raise CopyError("manifest-line", name=name, line_number=number)
        path = found[2]
        if path.startswith("/") or os.path.isabs(path) or ".." in re.split(r"[/\\]", path):
            raise CopyError("manifest-path", name=name, line_number=number, path=path)
        sums[path] = found[1].lower()
    return sums


def read_manifest(folder: Path) -> dict[str, str]:
    """The manifest of a folder; empty when there is none."""
    path = folder / MANIFEST_NAME
    if not os.path.lexists(path):
        return {}
    return parse_manifest(read_list(path), str(path))


def read_list(path: Path) -> str:
    """The text of a list of checksums. Raises ``CopyError``."""
    return read_text_bounded(path, "list-of-checksums", most_bytes=LIST_BYTES, error=CopyError)


def write_manifest(folder: Path, sums: Mapping[str, str]) -> Path:
    """Write the manifest of a folder whole; untouched when it says the same."""
    path = folder / MANIFEST_NAME
    text = manifest_text(sums)
    try:
        if path.exists() and read_list(path) == text:
            return path
    except CopyError:
        pass
    write_text(path, text, replace=True)
    return path


def add_to_manifest(folder: Path, paths: Sequence[str]) -> Path:
    """Put files that were written after the copies (the report) into the manifest, or their new checksums.

    ``paths`` are relative to the folder, with ``/``.
    """
    sums = read_manifest(folder)
    for path in paths:
        try:
            sums[path] = file_sha256(folder / path)
        except OSError as problem:
            raise copy_error(problem, folder / path) from problem
    return write_manifest(folder, sums)
