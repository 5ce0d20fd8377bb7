"""Track lists as JSON: an object with fields and ``sides`` or ``tracks``, or a bare list of tracks or titles.

Conventions: keys are those of fields and columns in plain words; a number for a time is seconds. Turned into plain lines
(see ``columns``). Every entry becomes a line of its own, numbered where its title stands in the text; keys that are
not used are told. Nesting and size are bounded.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from sidekeep.shelf.sleeve.columns import COLUMNS, PlainLines, side_of, track_lines
from sidekeep.shelf.sleeve.outcome import ReadingLine
from sidekeep.shelf.sleeve.parts.fields import field_text
from sidekeep.shelf.sleeve.parts.marks import side_letter
from sidekeep.shelf.sleeve.parts.quoting import tidy
from sidekeep.shelf.sleeve.parts.words import FIELDS

_LISTS = ("sides", "tracks", "tracklist", "discs")
_DEEPEST = 6
_MOST_ENTRIES = 5000
_SHOWN = 80


def looks_like_json(text: str) -> bool:
    """True when the text starts like a JSON object or list of objects or strings."""
    return re.match(r"\s*(\{\s*(\"|\})|\[\s*(\{|\"|\]))", text) is not None


def json_lines(text: str) -> tuple[PlainLines, list[ReadingLine]]:
    """The plain lines, and entries that are told without becoming one."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        number = getattr(error, "lineno", 1)
        rows = text.splitlines()
        line = ReadingLine(
            number=number, text=rows[number - 1].strip()[:_SHOWN] if number <= len(rows) else ""
        )
        reason = getattr(
            error, "msg", "nested too deeply" if isinstance(error, RecursionError) else str(error)
        )
        line.unread("not-json", f"not readable as JSON: {reason}")
        return [], [line]
    entries = _Entries(text)
    entries.part(data, depth=0)
    return entries.plain, entries.told


class _Entries:
    def __init__(self, text: str) -> None:
        self.plain: PlainLines = []
        self.told: list[ReadingLine] = []
        self._rows = text.splitlines()
        self._at = 0

    def _line(self, shown: object) -> ReadingLine:
        """A line for an entry, numbered where its words stand from here on."""
        word = tidy(str(shown))[:_SHOWN]
        quoted = (json.dumps(word, ensure_ascii=False)[1:-1], json.dumps(word)[1:-1])
        for index in range(self._at, len(self._rows)):
            if word and any(form in self._rows[index] for form in quoted):
                self._at = index
                break
        return ReadingLine(number=min(self._at + 1, max(1, len(self._rows))), text=word)

    def _tell(self, shown: object, code: str, text: str) -> None:
        line = self._line(shown if isinstance(shown, str) else json.dumps(shown, ensure_ascii=False)[:_SHOWN])
        line.unread(code, text)
        self.told.append(line)

    def part(self, data: Any, *, depth: int) -> None:
        """A record, a side or a list."""
        if depth > _DEEPEST or len(self.plain) > _MOST_ENTRIES:
            self._tell("", "too-much", "nested too deeply or too long; this part is not used")
        elif isinstance(data, list):
            for index, entry in enumerate(data, start=1):
                self._entry(entry, index, "", depth)
        elif isinstance(data, Mapping):
            self._object(data, depth)
        else:
            self._tell(data, "not-a-list", "neither a record nor a list of tracks")

    def _object(self, data: Mapping[str, Any], depth: int) -> None:
        for key, value in data.items():
            name = tidy(str(key)).casefold().replace("_", " ")
            if name in _LISTS or (depth and name in ("side", "disc", "name")):
                continue
            field = FIELDS.get(name)
            if field is None or depth:
                if value not in (None, "", [], {}):
                    self._tell(f"{key}: {value}", "key-unread", f"the key {name!r} is not used")
                continue
            for one in value if isinstance(value, list) else [value]:
                self._field(field, name, one)
        for key in _LISTS:
            for index, part in enumerate(_as_list(data.get(key)), start=1):
                self._entry(part, index, key, depth)
            if not isinstance(data.get(key, []), list | Mapping):
                self._tell(f"{key}: {data[key]}", "not-a-list", f"{key!r} must be a list")

    def _field(self, field: str, name: str, value: Any) -> None:
        text = tidy(str(_person(value) if value is not None else ""))
        if text:
            plain = text if field in ("year", "rpm", "size_inch") else field_text(text)
            self.plain.append((self._line(text), f"{name}: {plain}"))

    def _entry(self, entry: Any, index: int, parent: str, depth: int) -> None:
        if isinstance(entry, str):
            self.plain.append((self._line(entry), tidy(entry)))
        elif isinstance(entry, Mapping) and any(key in entry for key in _LISTS):
            name = str(entry.get("side") or entry.get("name") or "")
            letter = side_of(name, "") or (side_letter(index) if parent == "sides" else "")
            if letter:
                self.plain.append((self._line(name), f"Side {letter}"))
            elif parent == "discs":
                self.plain.append((self._line(name), f"Disc {min(index, 99)}"))
            self.part(entry, depth=depth + 1)
        elif isinstance(entry, Mapping):
            self._track(entry)
        elif entry is not None:
            self._tell(entry, "not-a-track", "not a track")

    def _track(self, entry: Mapping[str, Any]) -> None:
        values: dict[str, str | float] = {}
        unused = []
        for key, value in entry.items():
            column = COLUMNS.get(tidy(str(key)).casefold().replace("_", " "), "")
            if column and column != "skip":
                person = _person(value)
                values[column] = person if isinstance(person, int | float) else str(person or "")
            elif not column and value not in (None, "", [], {}):
                unused.append(tidy(str(key)))
        if not str(values.get("title", "")).strip():
            self._tell(entry, "no-title", "no title in this track")
            return
        line = self._line(values["title"])
        for key in unused:
            line.doubt("key-unread", f"the key {key!r} is not used", key=key)
        self.plain += track_lines(line, values)


def _as_list(value: Any) -> list[Any]:
    if isinstance(value, Mapping):
        return [{"side": str(key), "tracks": part} for key, part in value.items()]
    return value if isinstance(value, list) else []


def _person(value: Any) -> Any:
    """A name, or several separated by commas, of a person given as text, object or list."""
    if isinstance(value, Mapping):
        return value.get("name", "")
    if isinstance(value, list):
        return ", ".join(str(_person(one)) for one in value[:50])
    return value
