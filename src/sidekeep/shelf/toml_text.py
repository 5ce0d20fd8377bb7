"""TOML that a person may have written in: read with a bound, changed in place with their comments and order kept."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from sidekeep.errors import ShelfError

LONGEST_TEXT = 1_000_000
"""Characters; a record's choices are some thousand."""
_TOO_DEEP = re.compile(r"(?:[\w\"'-]+[ \t]*\.[ \t]*){32}")
"""A name of so many parts is nobody's, and each part costs the reader all that came before."""
_DEEPEST = 64
"""Tables and lists within each other; a record's choices have four. One bound for reading and for changing."""


def read_toml(text: str, name: str) -> dict[str, Any]:
    """Plain values. Raises ``ShelfError`` in one line that begins with ``name``."""
    _refuse_endless(text, name)
    try:
        values = tomllib.loads(text.removeprefix("\ufeff").replace("\r\n", "\n"))
    except RecursionError:
        raise ShelfError("text-nested", name=name) from None
    except (tomllib.TOMLDecodeError, ValueError) as error:
        raise ShelfError("text-unread", name=name, reason=error) from error
    if _is_deeper(values, _DEEPEST):
        raise ShelfError("text-nested", name=name)
    return values


def _is_deeper(value: Any, most: int) -> bool:
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return most < 0 or any(_is_deeper(one, most - 1) for one in inside if isinstance(one, (dict, list)))


def parse_toml(text: str, name: str) -> tomlkit.TOMLDocument:
    """A document to change in place. Raises ``ShelfError`` in one line that begins with ``name``."""
    read_toml(text, name)
    try:
        return tomlkit.parse(text.removeprefix("\ufeff"))
    except RecursionError:
        raise ShelfError("text-nested", name=name) from None
    except (TOMLKitError, ValueError) as error:
        raise ShelfError("text-unread", name=name, reason=error) from error


def _refuse_endless(text: str, name: str) -> None:
    if len(text) > LONGEST_TEXT:
        raise ShelfError("text-too-long", name=name, characters=len(text), most=LONGEST_TEXT)
    if _TOO_DEEP.search(text):
        raise ShelfError("text-too-deep", name=name)


def put(table: Any, key: str, value: Any) -> None:
    """Set a value; one that is there already is not touched, nor is the comment behind it."""
    there = table.get(key)
    if there is not None and type(_plain(there)) is type(value) and there == value:
        return
    table[key] = fit_text(value)


def put_or_drop(table: Any, key: str, value: Any, usual: Any) -> None:
    """Set a value, or take the key away when it is the usual one."""
    if value != usual:
        put(table, key, value)
    elif key in table:
        del table[key]


def new_toml(values: Mapping[str, Any], *, comment: str = "") -> str:
    """A new document: plain values first, then tables, then lists of tables. None is left out."""
    document = tomlkit.document()
    for line in comment.splitlines():
        document.add(tomlkit.comment(line))
    given = {key: fit_text(value) for key, value in values.items() if value is not None}
    for key, value in sorted(given.items(), key=lambda pair: isinstance(pair[1], (dict, list))):
        document[key] = value
    return tomlkit.dumps(document)


def _plain(item: Any) -> Any:
    return item.unwrap() if hasattr(item, "unwrap") else item


def fit_text(value: Any) -> Any:
    """Plain values as TOML and JSON can hold them: a lone half of a character becomes the mark for one that is missing."""
    if isinstance(value, str):
        return value.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
    if isinstance(value, Mapping):
        return {key: fit_text(item) for key, item in value.items() if item is not None}
    if isinstance(value, (list, tuple)):
        return [fit_text(item) for item in value]
    if isinstance(value, (bool, int, float, datetime, date)):
        return value
    raise TypeError(f"no TOML form for {type(value).__name__}")
