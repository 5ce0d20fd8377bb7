"""Sleeve text: a record's track list as printed, typed or pasted, to a ``Record``, and what became of every line.

Conventions: takes the forms sleeves use (docs/sleeve.md lists them). Every line becomes part of the title, a side, a
track, a field or a note, or is told as unread; the only failure is a text that is far too long.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sidekeep.model.record import Record
from sidekeep.shelf.sleeve.columns import PlainLines, table_lines
from sidekeep.shelf.sleeve.decoding import MAX_LINE, checked
from sidekeep.shelf.sleeve.json_form import json_lines, looks_like_json
from sidekeep.shelf.sleeve.layouts import lengths_from_starts, one_track_a_line
from sidekeep.shelf.sleeve.line_reader import LineReader
from sidekeep.shelf.sleeve.outcome import Doubt, ReadingLine, ReadLine, SleeveReading
from sidekeep.shelf.sleeve.parts.fields import read_field
from sidekeep.shelf.sleeve.parts.headings import read_heading
from sidekeep.shelf.sleeve.parts.lines import is_decoration, read_attribute, without_bullet
from sidekeep.shelf.sleeve.parts.marks import loose_letter
from sidekeep.shelf.sleeve.parts.quoting import tidy, visible
from sidekeep.shelf.sleeve.parts.words import CREDIT_LINE

_NEWLINE = re.compile("\r\n|[\r\n\u2028\u2029\x85\x0b\x0c]")


@dataclass(frozen=True, kw_only=True)
class SleeveProblem:
    """A line that could not be read, or only in part: where, what it says, why. ``used`` when part of it was."""

    line_number: int
    line: str
    reason: str
    used: bool = False


def read_sleeve(text: str) -> tuple[Record, list[SleeveProblem]]:
    """Record and problems of a sleeve text in any of the forms of docs/sleeve.md, tables or JSON."""
    reading = read_text(text)
    problems = [
        SleeveProblem(
            line_number=line.number, line=line.text, reason=doubt.text, used=line.reads_as != "unread"
        )
        for line in reading.lines
        for doubt in line.doubts
    ]
    return reading.record, problems


def read_text(text: str) -> SleeveReading:
    """The record, and every line with what it was read as. Raises SleeveError for a text that is far too long."""
    text = checked(text).removeprefix("\ufeff")
    told: list[ReadingLine] = []
    if looks_like_json(text):
        plain, told = json_lines(text)
        lines = [line for line, _ in plain] + told
    else:
        rows = _NEWLINE.split(text)
        if len(rows) > 1 and not rows[-1]:
            rows.pop()
        lines = [ReadingLine(number=number, text=visible(row).strip()) for number, row in enumerate(rows, 1)]
        table = table_lines(_short(lines))
        plain = table if table is not None else one_track_a_line(list(zip(lines, rows, strict=True)))
    reader = LineReader(letters=_has_letter_marks(plain))
    for line, row in plain:
        reader.read(line, row)
    record = reader.finish()
    if not any(line.reads_as == "side" for line in lines):
        record = lengths_from_starts(record)
    read = _in_order(lines)
    if record == Record() and not any(line.doubts for line in read):
        empty = Doubt(code="no-list", text="no track list in this text")
        read = [*read, ReadLine(number=1, text="", reads_as="unread", doubts=(empty,))]
    return SleeveReading(record=record, lines=tuple(read))


def _short(lines: Sequence[ReadingLine]) -> list[ReadingLine]:
    return [
        line if len(line.text) <= MAX_LINE else ReadingLine(number=line.number, text="") for line in lines
    ]


def _in_order(lines: Sequence[ReadingLine]) -> list[ReadLine]:
    """One entry for every line object, in the order of the text."""
    once = list({id(line): line for line in lines}.values())
    return [line.settled() for line in sorted(once, key=lambda line: line.number)]


def _has_letter_marks(plain: PlainLines) -> bool:
    """True when every track line begins with a letter of its side and a space, as singles print it (``A Lamp``, ``B
    Oil``): in order, from A to B at least, and no side is named otherwise."""
    letters: list[str] = []
    for _, row in plain:
        line = without_bullet(tidy(row[: MAX_LINE + 1]))
        if not line or read_field(line) or is_decoration(line) or CREDIT_LINE.match(line):
            continue
        if read_heading(line) is not None or read_attribute(row[: MAX_LINE + 1]):
            return False
        letter = loose_letter(line)
        if not letter and letters:
            return False
        if letter:
            letters.append(letter)
    if letters[:1] == ["A"] and set(letters) == {"A", "AA"}:
        return letters == sorted(letters)
    steps = {ord(later[0]) - ord(earlier[0]) for earlier, later in zip(letters, letters[1:], strict=False)}
    return letters[:1] == ["A"] and "B" in letters and steps <= {0, 1}
