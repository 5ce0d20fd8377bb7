"""Small files read whole, with a bound: sleeve texts, settings, facts, lists, pictures. No other module reads one.

What is no ordinary file (a pipe, a device, a folder) or is far larger than such a file can be is refused before it costs
memory or time; JSON nested deeper than any of ours is refused too.
"""

from __future__ import annotations

import codecs
import os
import stat
from pathlib import Path
from typing import Any

from sidekeep.errors import ParameterError, SidekeepError

TEXT_BYTES = 4 << 20
"""Room for the longest ``cuts.toml`` or list of facts."""
LIST_BYTES = 64 << 20
"""Room for lists that grow with use: histories, manifests, surveys."""
ARRAY_BYTES = 1 << 30
"""Room for arrays and patches of the longest take: a day at 192 kHz keeps some hundred megabytes."""


def read_bounded(
    path: Path, what: str, *, most_bytes: int = TEXT_BYTES, error: type[SidekeepError] = ParameterError
) -> bytes:
    """The bytes of a file. ``what`` names it in a word with hyphens (``sleeve-text``). Raises ``error`` when it is missing,
    cannot be read, is no ordinary file or is longer than ``most_bytes``."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(handle, "rb") as file:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise error("small-file-not-ordinary", what=what, path=path)
            data = file.read(most_bytes + 1)
    except SidekeepError:  # ``ParameterError`` is a ``ValueError`` too
        raise
    except FileNotFoundError:
        raise error("small-file-missing", what=what, path=path) from None
    except IsADirectoryError:
        raise error("small-file-is-folder", what=what, path=path) from None
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise error("small-file-unread", what=what, path=path, reason=reason) from problem
    if len(data) > most_bytes:
        raise error("small-file-too-long", what=what, path=path, most_bytes=most_bytes)
    return data


def read_text_bounded(
    path: Path, what: str, *, most_bytes: int = TEXT_BYTES, error: type[SidekeepError] = ParameterError
) -> str:
    """The same as UTF-8 text. Raises ``error`` also for what is no such text."""
    try:
        return read_bounded(path, what, most_bytes=most_bytes, error=error).decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise error("small-file-not-text", what=what, path=path, byte=problem.start) from None


def decode_json(content: bytes | str, kind: Any = Any) -> Any:
    """JSON as plain values, or as ``kind`` (a struct or dataclass, checked). ``ValueError`` in one line for anything else,
    also for what is nested too deeply."""
    import msgspec  # here, for most files are no JSON, and most commands read none of it

    if isinstance(content, bytes):  # some editors put a mark in front
        content = content.removeprefix(codecs.BOM_UTF8)
    try:
        return msgspec.json.decode(content, type=kind)
    except RecursionError:
        raise ValueError("brackets in it are nested too deeply") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as problem:
        raise ValueError(" ".join(str(problem).split()) or "it is no JSON") from None


def read_json_bounded(
    path: Path,
    what: str,
    kind: Any = Any,
    *,
    most_bytes: int = TEXT_BYTES,
    error: type[SidekeepError] = ParameterError,
) -> Any:
    """The same from a file. Raises ``error`` for whatever is wrong with it."""
    content = read_bounded(path, what, most_bytes=most_bytes, error=error)
    try:
        return decode_json(content, kind)
    except ValueError as problem:
        raise error("small-file-unread", what=what, path=path, reason=problem) from None


def kept_json(path: Path, kind: Any = Any, *, most_bytes: int = TEXT_BYTES) -> Any:
    """The same for what can be made again or done without: None when it is missing or is not what it should be."""
    try:
        return read_json_bounded(path, "", kind, most_bytes=most_bytes)
    except SidekeepError:
        return None
