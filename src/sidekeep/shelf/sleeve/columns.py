"""Track lists that come as a table: rows separated by tabs, semicolons, commas or bars.

Conventions: columns are named by a row of names on top, or by a line ``Columns: side, mark, title, time, skip``. Rows are
turned into plain lines with everything said outright, so that one reader (``reading``) makes the record. Every row
stands on one line; a column that is not used is told.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence

from sidekeep.shelf.sleeve.outcome import ReadingLine
from sidekeep.shelf.sleeve.parts.fields import read_field
from sidekeep.shelf.sleeve.parts.lines import is_ruled, read_line
from sidekeep.shelf.sleeve.parts.marks import side_letter
from sidekeep.shelf.sleeve.parts.quoting import quote, tidy
from sidekeep.shelf.sleeve.parts.times import is_time, read_time, write_time
from sidekeep.shelf.sleeve.parts.words import CREDIT_LINE

PlainLines = list[tuple[ReadingLine, str]]
"""A line of the text (several in a row may be the same one) and what it says in the plain form."""

COLUMNS = {
    name: column
    for column, names in {
        "mark": "mark|position|pos|pos.|number|no|no.|nr|nr.|#|track|nummer|numéro|número|numero",
        "title": "title|titel|titre|título|titolo|song|piece|name",
        "artist": "artist|artists|performer|interpret|künstler|artiste|artista|band",
        "time": "time|length|duration|dauer|durée|duración|duração|durata|zeit|min|seconds",
        "composer": "composer|composers|writer|writers|writer(s)|written by|komponist|compositeur|author|authors",
        "side": "side|seite|face|lado|cara|lato",
        "disc": "disc|disk|platte|disque|disco",
        "note": "note|notes|comment|remark|remarks",
        "isrc": "isrc",
        "skip": "skip|-",
    }.items()
    for name in names.split("|")
}
_NAMES_LINE = re.compile(r"^\s*columns?\s*[:=]\s*(?P<names>.+)$", re.IGNORECASE)
_SAID_OUTRIGHT = re.compile(r"(?:title|artist|composer|note|isrc|mark|number): ")
"""An indented line below a track is no row of names, whatever stands on it."""
_DELIMITERS = ("\t", ";", ",", "|")
_HEAD_ROWS = 8


def table_lines(lines: Sequence[ReadingLine]) -> PlainLines | None:
    """Lines of a table whose columns are named, or of comma-separated rows; None when it is neither."""
    top = next((index for index, line in enumerate(lines) if line.text.strip()), None)
    if top is None:
        return None
    for index in range(top, min(top + _HEAD_ROWS, len(lines))):
        text = lines[index].text
        if (named := _NAMES_LINE.match(text)) is not None:
            names = re.split(r"\s*[,;|\t]\s*", named["names"].strip())
            rows = lines[index + 1 :]
            return _with_names(lines, index, names, _delimiter_of(rows, len(names)))
        if _SAID_OUTRIGHT.match(text) or read_field(text) is not None:
            continue
        for delimiter in _DELIMITERS:
            names = _cells(text, delimiter)
            known = [COLUMNS.get(name.casefold(), "") for name in names]
            if "title" in known and sum(bool(name) for name in known) >= 2:
                return _with_names(lines, index, names, delimiter)
    return _without_names(lines)


def _cells(row: str, delimiter: str) -> list[str]:
    """The tidy cells of one row; a quote that is never closed runs to the end of the row."""
    try:
        cells = next(csv.reader([row], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        cells = row.split(delimiter)
    return [tidy(cell) for cell in cells]


def _delimiter_of(rows: Sequence[ReadingLine], columns: int) -> str:
    """What parts most rows into as many cells as there are names."""
    return max(
        _DELIMITERS,
        key=lambda sign: sum(len(_cells(row.text, sign)) == columns for row in rows if row.text.strip()),
    )


def _with_names(lines: Sequence[ReadingLine], top: int, names: Sequence[str], delimiter: str) -> PlainLines:
    plain: PlainLines = [(line, line.text) for line in lines[:top]]
    columns = _known_columns(lines[top], names)
    side = ""
    for line in lines[top + 1 :]:
        cells = _cells(line.text, delimiter)
        if not any(cells) or is_ruled(line.text.replace(":", "")):
            continue
        if [cell.casefold() for cell in cells] == [name.casefold() for name in names]:
            line.reads_as = "field"  # the names once more, above the next side
            continue
        if CREDIT_LINE.match(line.text):
            plain.append((line, tidy(line.text)))
            continue
        values = {name: cell for name, cell in zip(columns, cells, strict=False) if name and cell}
        if any(cells[len(columns) :]):
            line.doubt("more-cells", "the row has more cells than there are columns; the last are not used")
        if "title" not in values:
            plain += _row_without_title(line, cells)
            continue
        new_side = side_of(values.get("side", ""), values.get("disc", ""))
        if new_side and new_side != side:
            side = new_side
            plain.append((line, f"Side {side}"))
        plain += track_lines(line, values)
    return plain


def _known_columns(line: ReadingLine, names: Sequence[str]) -> list[str]:
    """What the names stand for, empty where it is not known: that is told at their line."""
    line.reads_as = "field"
    columns = [COLUMNS.get(name.casefold(), "") for name in names]
    for name, column in zip(names, columns, strict=True):
        if name and not column:
            line.doubt("column-unread", f"the column {name!r} is not used", column=name)
    return columns


def _row_without_title(line: ReadingLine, cells: Sequence[str]) -> PlainLines:
    """One filled cell alone may say anything, such as the next side; of several none is known to be a title."""
    filled = [cell for cell in cells if cell]
    if len(filled) == 1:
        return [(line, filled[0])]
    line.unread("no-title", "no title in this row")
    return []


def _without_names(lines: Sequence[ReadingLine]) -> PlainLines | None:
    """Rows such as ``A1,Title,3:45``: only when most rows have a number first or a time last."""
    plain: PlainLines = []
    hits = total = 0
    for line in lines:
        row = line.text
        cells = _cells(row, ";" if ";" in row and row.count(";") >= row.count(",") else ",")
        total += bool(row.strip())
        if len(cells) >= 2 and "\t" not in row:
            mark = read_line(f"{cells[0]} x")
            marked = bool(mark.mark) and mark.body == "x"
            timed = is_time(cells[-1])
            if (marked and len(cells) >= 3) or (timed and not row.rstrip("\r\n").endswith(" ")):
                hits += 1
                plain.append((line, "\t".join(cells)))
                continue
        plain.append((line, row))
    return plain if hits >= 2 and hits > total / 2 else None


def side_of(side: str, disc: str) -> str:
    """The letter of a side named by letter, number or words, or by its disc alone; empty for none."""
    if side:
        word = side.split()[-1] if side.split() else ""
        if word.isdecimal() and word.isascii():
            return side_letter(int(word)) if len(word) < 3 else ""
        return word.upper() if len(word) == 1 and word.isascii() and word.isalpha() else ""
    return side_letter(2 * int(disc) - 1) if disc.isdecimal() and disc.isascii() and len(disc) < 3 else ""


def track_lines(line: ReadingLine, values: Mapping[str, str | float]) -> PlainLines:
    """A track line and its indented lines, with everything said outright. A time that is a number is seconds."""
    title = tidy(str(values["title"]))
    time = values.get("time", "")
    seconds = time_of(time)
    if seconds is None and time not in ("", None) and not is_time(str(time)):
        line.doubt("time-impossible", f"{str(time)!r} is not a time; the track is kept without one")
    mark = tidy(str(values.get("mark", "") or ""))
    alone = read_line(f"{mark} x") if mark else None
    usable = alone is not None and alone.body == "x" and alone.mark == mark
    parts = (mark if usable else "", quote(title), "" if seconds is None else write_time(seconds))
    plain: PlainLines = [(line, " ".join(filter(None, parts))), (line, f"  title: {title}")]
    if mark and not usable:
        plain.append((line, f"  mark: {mark}"))
    for name in ("artist", "composer", "note", "isrc"):
        if text := tidy(str(values.get(name, "") or "")):
            plain.append((line, f"  {name}: {text}"))
    return plain


def time_of(value: object) -> float | None:
    """Seconds of a time as text or as a number of seconds; None when it is none."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value) if 0 <= value < 1e5 else None
    text = str(value).strip()
    if re.fullmatch(r"[0-9]{1,5}(\.[0-9]{1,9})?", text) and not re.fullmatch(r"[0-9]{1,2}\.[0-5][0-9]", text):
        return float(text)
    return read_time(text)
