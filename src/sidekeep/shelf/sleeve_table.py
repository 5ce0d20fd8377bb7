"""Track lists that come as a table (CSV, tab-separated) or as JSON, turned into the plain sleeve form.

Conventions: both readers give ``(line_number, line)`` pairs in the plain form with everything quoted, so that one
reader (sleeve_text) makes the record, and ``(line_number, line, reason)`` for what they could not use.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from sidekeep.shelf.sleeve_lines import is_time, quote, read_line, read_time, side_letter, tidy, write_time
from sidekeep.shelf.sleeve_words import FIELDS

Lines = list[tuple[int, str]]
Faults = list[tuple[int, str, str]]

_COLUMNS = {
    name: column
    for column, names in {
        "position": "position|pos|pos.|track|track no|track no.|track number|no|no.|nr|nr.|#|number|tracknumber|index|seq",
        "title": "title|name|track title|song|track name|titel|titre|título|titolo|song title|piece",
        "artist": "artist|artists|performer|interpret|künstler|artiste|artista|band",
        "duration": "duration|time|length|duration_s|dauer|durée|duración|duración|durata|zeit|seconds|length_s|min",
        "composer": "composer|composers|writer|writers|written by|komponist|compositeur|author|authors|credits",
        "side": "side|seite|face|lado|cara|lato",
        "disc": "disc|disk|lp|platte|disque|disc number|discnumber",
        "note": "note|notes|comment|comments|remark",
    }.items()
    for name in names.split("|")
}
_LISTS = ("sides", "tracks", "tracklist", "track_list", "songs", "discs", "media", "records")


def looks_like_json(text: str) -> bool:
    """True when the text starts like a JSON object or list of objects or strings."""
    return re.match(r"\s*(\{\s*(\"|\})|\[\s*(\{|\"|\]))", text) is not None


def table_lines(text: str) -> tuple[Lines, Faults] | None:
    """Lines of a table with column names on top, or of comma-separated rows; None when it is neither."""
    rows = text.splitlines()
    first = next((index for index, row in enumerate(rows) if row.strip()), None)
    if first is None:
        return None
    for index in range(first, min(first + 8, len(rows))):
        for delimiter in ("\t", ";", ",", "|"):
            names = [_COLUMNS.get(cell.strip().casefold(), "") for cell in _cells(rows[index], delimiter)]
            if "title" in names and sum(bool(name) for name in names) >= 2:
                head: Lines = [(n, row) for n, row in enumerate(rows[:index], start=1)]
                lines, faults = _with_names(rows, index, names, delimiter)
                return head + lines, faults
    return _without_names(rows)


def _cells(row: str, delimiter: str) -> list[str]:
    return next(csv.reader(io.StringIO(row), delimiter=delimiter, skipinitialspace=True), [])


def _with_names(rows: list[str], top: int, names: list[str], delimiter: str) -> tuple[Lines, Faults]:
    lines: Lines = []
    faults: Faults = []
    reader = csv.reader(io.StringIO("\n".join(rows[top + 1 :])), delimiter=delimiter, skipinitialspace=True)
    side = ""
    for cells in reader:
        line_number = top + 1 + reader.line_num
        row = delimiter.join(cells)
        if not any(cell.strip() for cell in cells):
            continue
        values = {name: cell.strip() for name, cell in zip(names, cells) if name and cell.strip()}
        if "title" not in values:
            if len(values) == 1 and len([cell for cell in cells if cell.strip()]) == 1:
                lines.append((line_number, row.strip(delimiter + " ")))
            else:
                faults.append((line_number, row, "no title in this row"))
            continue
        new_side = _side(values.get("side", ""), values.get("disc", ""))
        if new_side and new_side != side:
            side = new_side
            lines.append((line_number, f"Side {side}"))
        lines += _track(line_number, values, faults)
    return lines, faults


def _without_names(rows: list[str]) -> tuple[Lines, Faults] | None:
    """Rows such as ``A1,Title,3:45``: only when most rows have a number first or a time last."""
    lines: Lines = []
    hits = total = 0
    for line_number, row in enumerate(rows, start=1):
        cells = _cells(
            row, ";" if row.count(";") >= 1 and ";" in row and row.count(";") >= row.count(",") else ","
        )
        total += bool(row.strip())
        if len(cells) >= 2 and "\t" not in row:
            mark = read_line(f"{cells[0].strip()} x")
            marked = bool(mark.mark) and mark.body == "x"
            timed = is_time(cells[-1])
            if (marked and len(cells) >= 3) or (
                timed and (marked or len(cells) >= 2) and not row.rstrip().endswith(" ")
            ):
                if marked or timed:
                    hits += 1
                    lines.append((line_number, "\t".join(tidy(cell) for cell in cells)))
                    continue
        lines.append((line_number, row))
    return (lines, []) if hits >= 2 and hits > total / 2 else None


def _side(side: str, disc: str) -> str:
    if side:
        return (
            side_letter(int(side)) if side.isdigit() else side[-1:].upper() if len(side) > 2 else side.upper()
        )
    return side_letter(2 * int(disc) - 1) if disc.isdigit() else ""


def _seconds(value: Any) -> float | None:
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, int | float):
        return float(value) / (1000.0 if value > 20000 else 1.0)
    text = str(value).strip()
    if re.fullmatch(r"\d+(\.\d+)?", text) and not re.fullmatch(r"\d{1,2}\.[0-5]\d", text):
        return _seconds(float(text))
    return read_time(text)


def _track(line_number: int, values: Mapping[str, Any], faults: Faults) -> Lines:
    """A quoted track line and its indented lines."""
    title = str(values.get("title", ""))
    time = values.get("duration")
    seconds = _seconds(time)
    if seconds is None and time not in (None, "") and not is_time(str(time)):
        faults.append(
            (line_number, f"{title} {time}", f"{time!r} is not a time; the track is kept without one")
        )
    position = str(values.get("position", "") or "")
    mark = read_line(f"{position} x") if position else None
    usable = mark is not None and mark.body == "x" and mark.mark == position
    text = " ".join(
        filter(
            None, (position if usable else "", quote(title), "" if seconds is None else write_time(seconds))
        )
    )
    lines = [(line_number, text)]
    if position and not usable:
        lines.append((line_number, f"  position: {quote(position)}"))
    for name in ("artist", "composer", "note"):
        if values.get(name):
            lines.append((line_number, f"  {name}: {quote(str(values[name]))}"))
    return lines


def json_lines(text: str) -> tuple[Lines, Faults]:
    """Lines of a JSON record: an object with fields and ``sides`` or ``tracks``, or a bare list of tracks."""
    try:
        data = json.loads(text)
    except ValueError as error:
        line_number = getattr(error, "lineno", 1)
        rows = text.splitlines()
        line = rows[line_number - 1].strip() if line_number <= len(rows) else ""
        return [], [(line_number, line, f"not readable as JSON: {getattr(error, 'msg', error)}")]
    lines: Lines = []
    faults: Faults = []
    _json_part(data, lines, faults, top=True)
    return lines, faults


def _json_part(data: Any, lines: Lines, faults: Faults, *, top: bool) -> None:
    if isinstance(data, list):
        for entry in data:
            _json_entry(entry, lines, faults)
        return
    if not isinstance(data, Mapping):
        faults.append((1, str(data)[:80], "neither a record nor a list of tracks"))
        return
    if top:
        for key, value in data.items():
            field = FIELDS.get(str(key).casefold().replace("_", " "), FIELDS.get(str(key).casefold()))
            if field and value not in (None, "", []):
                for one in value if isinstance(value, list) else [value]:
                    lines.append((1, f"{key.replace('_', ' ')}: {_scalar(field, one)}"))
    for key in _LISTS:
        for index, part in enumerate(_as_list(data.get(key)), start=1):
            _json_entry(part, lines, faults, index=index, parent=key)


def _scalar(field: str, value: Any) -> str:
    if isinstance(value, Mapping):
        value = value.get("name", "")
    return str(value) if field in ("year", "rpm", "size_inch") else quote(str(value))


def _as_list(value: Any) -> Iterable[Any]:
    if isinstance(value, Mapping):
        return [{"side": key, "tracks": part} for key, part in value.items()]
    return value if isinstance(value, list) else []


def _json_entry(entry: Any, lines: Lines, faults: Faults, *, index: int = 0, parent: str = "") -> None:
    if isinstance(entry, str):
        lines.append((1, entry))
    elif isinstance(entry, Mapping) and any(key in entry for key in _LISTS):
        name = str(entry.get("side") or entry.get("name") or "")
        if not name and parent == "sides":
            name = side_letter(index)
        if name and (letter := _side(name, "")):
            lines.append((1, f"Side {letter}"))
        elif parent in ("discs", "media", "records"):
            lines.append((1, f"Disc {index}"))
        _json_part(entry, lines, faults, top=False)
    elif isinstance(entry, Mapping):
        values = {_COLUMNS.get(str(key).casefold(), ""): value for key, value in entry.items()}
        values = {name: _person(value) for name, value in values.items() if name}
        if "title" not in values:
            faults.append((1, json.dumps(entry, ensure_ascii=False)[:80], "no title in this track"))
            return
        lines += _track(1, values, faults)
    else:
        faults.append((1, json.dumps(entry, ensure_ascii=False)[:80], "not a track"))


def _person(value: Any) -> Any:
    if isinstance(value, Mapping):
        return value.get("name", "")
    if isinstance(value, list):
        return ", ".join(str(_person(one)) for one in value)
    return value
