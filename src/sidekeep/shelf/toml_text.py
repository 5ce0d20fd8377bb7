"""Plain TOML 1.0 text from plain values: what ``tomllib`` reads back is what was written."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r", "\b": "\\b", "\f": "\\f"}


def toml_key(key: str) -> str:
    """A key, quoted when it must be."""
    return key if _BARE.fullmatch(key) else toml_string(key)


def toml_string(text: str) -> str:
    """A basic string; control characters and lone surrogates are escaped."""
    out = []
    for char in text:
        if char in _ESCAPES:
            out.append(_ESCAPES[char])
        elif ord(char) < 0x20 or ord(char) == 0x7F:
            out.append(f"\\u{ord(char):04X}")
        elif 0xD800 <= ord(char) <= 0xDFFF:
            out.append("\ufffd")
        else:
            out.append(char)
    return '"' + "".join(out) + '"'


def toml_value(value: Any) -> str:
    """One value on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        text = repr(value)
        return text if any(c in text for c in ".en") else text + ".0"
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    if isinstance(value, str):
        return toml_string(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml_key(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    raise TypeError(f"no TOML form for {type(value).__name__}")


def toml_text(values: Mapping[str, Any], *, comment: str = "") -> str:
    """A document: plain values first, then tables, then lists of tables. None is left out."""
    lines = [f"# {line}".rstrip() for line in comment.splitlines()]
    if lines:
        lines.append("")
    _table(values, "", lines)
    return "\n".join(lines).strip("\n") + "\n"


def _is_tables(value: Any) -> bool:
    return (
        isinstance(value, (list, tuple)) and bool(value) and all(isinstance(item, Mapping) for item in value)
    )


def _table(values: Mapping[str, Any], prefix: str, lines: list[str]) -> None:
    later: list[tuple[str, Any]] = []
    for key, value in values.items():
        if value is None:
            continue
        if isinstance(value, Mapping) or _is_tables(value):
            later.append((key, value))
        else:
            lines.append(f"{toml_key(key)} = {toml_value(value)}")
    for key, value in later:
        name = f"{prefix}{toml_key(key)}"
        for table in [value] if isinstance(value, Mapping) else value:
            lines.append("")
            lines.append(f"[{name}]" if isinstance(value, Mapping) else f"[[{name}]]")
            _table(table, name + ".", lines)
