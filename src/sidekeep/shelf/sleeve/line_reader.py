"""Going through the lines of a sleeve text: head, fields, headings of sides and discs, tracks.

What became of every line is kept.
"""

from __future__ import annotations

import dataclasses
import re

from sidekeep.model.record import Record
from sidekeep.shelf.sleeve.decoding import MAX_LINE
from sidekeep.shelf.sleeve.outcome import ReadingLine
from sidekeep.shelf.sleeve.parts.fields import (
    field_value,
    has_year,
    read_field,
    read_rpm,
    read_size,
    read_size_line,
    read_speed_line,
    read_title_line,
    read_year,
)
from sidekeep.shelf.sleeve.parts.headings import Heading, read_heading
from sidekeep.shelf.sleeve.parts.lines import (
    PrintedLine,
    is_decoration,
    is_ruled,
    read_attribute,
    read_line,
    without_bullet,
)
from sidekeep.shelf.sleeve.parts.pasted import without_markup
from sidekeep.shelf.sleeve.parts.quoting import tidy
from sidekeep.shelf.sleeve.parts.words import CREDIT_LINE, LIST_LINE
from sidekeep.shelf.sleeve.tracks import TrackList

_KIND = re.compile(r"\b(?:LP|EP|album|single|vinyl|reissue|released)\b", re.IGNORECASE)
_BY_WHOM = re.compile(r"\S by (?:[Tt]he [A-Z]|[A-Z])")


class LineReader:
    """Goes through the lines once; what one line leaves open is settled in ``finish``."""

    def __init__(self, *, letters: bool) -> None:
        self.fields: dict[str, object] = {}
        self.notes: list[tuple[ReadingLine, str]] = []
        self.head: list[tuple[ReadingLine, str, str]] = []
        self.tracks = TrackList()
        self._letters = letters
        self._pending: tuple[ReadingLine, PrintedLine] | None = None

    def read(self, line: ReadingLine, raw: str) -> None:
        """Take one line."""
        if len(raw) > MAX_LINE:
            line.text = line.text[:80]
            line.unread("too-long", f"longer than {MAX_LINE} characters")
            return
        attribute = read_attribute(raw)
        if attribute is None:
            raw = without_markup(raw)
        text = without_bullet(tidy(raw))
        if not text:
            return
        if attribute is not None and self.tracks.last is not None:
            self._flush()
            self.tracks.attribute(line, attribute[0], tidy(attribute[1]))
            return
        heading = read_heading(text)
        first = not self.head and not self.tracks.sides
        if heading is not None and not (first and has_year(text)):
            self._heading(line, heading)
            return
        field = read_field(text) or (None if first else self._kind_of_record(text))
        if field is not None and self._field(line, *field):
            return
        if LIST_LINE.fullmatch(text) and not self.tracks.sides:
            line.reads_as = "field"
            return
        if is_decoration(text):
            if not is_ruled(text):
                line.unread("no-words", "no words in it")
            return
        printed = read_line(raw, letters=self._letters)
        if not self.tracks.sides and not self.tracks.side and self._is_head(text, printed):
            line.reads_as = "title" if not self.head else "note"
            self.head.append((line, text, raw))
            return
        self._track(line, raw, text, printed)

    def _kind_of_record(self, text: str) -> tuple[str, str] | None:
        """A line that says how fast the record turns, or how large it is; below the first track a size alone may be a title."""
        speed = read_speed_line(text)
        if speed is None:
            return None if self.tracks.sides else read_size_line(text)
        if (size := read_size(text)) is not None:
            self.fields.setdefault("size_inch", size)
        return speed

    def _is_head(self, text: str, printed: PrintedLine) -> bool:
        if printed.bullet and (self.head or not has_year(text)):
            return False
        if self.head or {"artist", "title"} & self.fields.keys():
            return not (printed.mark or printed.timed or printed.literal)
        if has_year(text):
            return True
        return not printed.timed and (
            not printed.mark or (printed.side == "" and printed.number not in (0, 1))
        )

    def _heading(self, line: ReadingLine, heading: Heading) -> None:
        self._flush()
        line.reads_as = "side"
        line.side = self.tracks.open(heading)
        if not heading.extra:
            return
        printed = read_line(heading.extra)
        if printed.timed and heading.side and printed.body:
            self._add(line, printed)
        elif heading.side:
            self.tracks.maybe[line.side] = (line, printed)
            self.notes.append((line, heading.extra))
        else:
            self.notes.append((line, heading.extra))

    def _field(self, line: ReadingLine, field: str, value: str) -> bool:
        """Take a field line; False when it turns out to be a track."""
        if self.tracks.sides and field in ("artist", "title"):
            return False
        line.reads_as = "field"
        literal = field_value(value)
        if field == "notes":
            if literal:
                self.notes.append((line, literal))
                line.reads_as = "note"
            return True
        if not value:
            return True
        result: object = literal
        if field == "year":
            result = read_year(value)
        elif field == "rpm":
            result = read_rpm(value)
        elif field == "size_inch":
            result = read_size(value)
            rpm = read_rpm(value) if re.search(r"\b(16|33|45|78)\b", value) else None
            if rpm is not None:
                self.fields.setdefault("rpm", rpm)
        name = {"rpm": "speed", "size_inch": "size"}.get(field, field.replace("_", " "))
        if result is None:
            line.unread("no-value", f"no {name} found in {value!r}", field=field)
            return True
        before = self.fields.get(field)
        if field == "genre" and isinstance(before, str):
            result = f"{before}; {literal}"
        elif before is not None and before != result:
            line.doubt(
                "said-twice", f"the {name} was given before, as {before}; this line counts", field=field
            )
        self.fields[field] = result
        return True

    def _track(self, line: ReadingLine, raw: str, text: str, printed: PrintedLine) -> None:
        if CREDIT_LINE.match(text) and not (printed.mark or printed.literal) and self.tracks.last is not None:
            self._flush()
            line.reads_as = "note"
            self.notes.append((line, text))
            return
        if not printed.mark and not self.tracks.sides and not self.tracks.side:
            self._head_to_tracks()
        if not printed.body and not printed.literal:
            if printed.timed and not printed.mark:
                self._flush()
                if not self.tracks.time_alone(line, printed):
                    line.unread("time-alone", "a time without a track before it")
                return
            if not printed.timed and not self._completes(printed):
                self._flush()
                self._pending = (line, printed)
                return
            if not printed.timed:
                printed = dataclasses.replace(printed, body=printed.mark, mark="", number=None)
        if self._pending is not None and not printed.mark and self._is_mark(self._pending[1]):
            waiting, mark = self._pending
            self._pending = None
            printed = dataclasses.replace(printed, mark=mark.mark, side=mark.side, number=mark.number)
            self._add(line, printed, waiting)
            return
        self._flush()
        self._add(line, printed)

    def _is_mark(self, printed: PrintedLine) -> bool:
        """Whether a mark alone on its line belongs to the title on the next: it names a side, or it is the number that
        comes next; ``99`` after ``Three`` is a title."""
        return bool(printed.side) or printed.number == self.tracks.next_number()

    def _completes(self, printed: PrintedLine) -> bool:
        """Whether a bare number is the title that belongs to the mark on the line before."""
        if self._pending is None or printed.side or not self._is_mark(self._pending[1]):
            return False
        return printed.number != (self._pending[1].number or 0) + 1

    def _flush(self) -> None:
        """A mark alone on its line that no title followed is a title of its own."""
        if self._pending is None:
            return
        line, printed = self._pending
        self._pending = None
        if printed.side and not printed.literal:
            line.unread("mark-alone", "a mark without a title after it")
            return
        self._add(line, dataclasses.replace(printed, body=printed.mark, mark="", side="", number=None))

    def _add(self, line: ReadingLine, printed: PrintedLine, more: ReadingLine | None = None) -> None:
        if printed.wrong_time:
            line.doubt(
                "time-impossible",
                f"{printed.wrong_time!r} is not a time; the track is kept without one",
                time=printed.wrong_time,
            )
        if not printed.body and not printed.literal:
            line.doubt("no-title", "no title on this line; the track is kept without one")
        self.tracks.add(line, printed, more)

    def _head_to_tracks(self) -> None:
        """Lines below a complete first line that ran on into tracks of the same make are tracks as well."""
        if len(self.head) < 2 or not read_title_line(self.head[0][1])[0]:
            return
        rest, self.head = self.head[1:], self.head[:1]
        for line, _, raw in rest:
            self._add(line, read_line(raw))

    def finish(self) -> Record:
        """Settle sides, people and notes."""
        self._flush()
        if not self.tracks.sides and len(self.head) > 1:
            rest, self.head = self.head[1:], self.head[:1]
            for line, text, raw in rest:
                self._track(line, raw, text, read_line(raw))
            self._flush()
        self._read_head()
        for line in self.tracks.take_maybe():
            self.notes = [note for note in self.notes if note[0] is not line]
        sides = self.tracks.settle(str(self.fields.get("artist", "")))
        record = Record(sides=sides, notes=tuple(text for _, text in self.notes))
        return dataclasses.replace(record, **self.fields)  # type: ignore[arg-type]

    def _read_head(self) -> None:
        if not self.head:
            return
        artist, title, year = read_title_line(_joined(self.head[0]))
        rest = self.head[1:]
        if not artist and "artist" not in self.fields and _BY_WHOM.search(title):
            self.head[0][0].doubt(
                "artist-perhaps",
                "all of it is read as the title: if an artist is named, write Artist - Title; if not, put it in quotes",
            )
        if not artist and rest and "artist" not in self.fields:
            artist, (second_artist, title, second_year) = title, read_title_line(_joined(rest[0]))
            title = f"{second_artist} - {title}" if second_artist else title
            year = year or second_year
            rest[0][0].reads_as = "title"
            rest = rest[1:]
        for key, value in (("artist", artist), ("title", title), ("year", year)):
            if value:
                self.fields.setdefault(key, value)
        notes: list[tuple[ReadingLine, str]] = []
        for line, text, _ in rest:
            if "year" not in self.fields and (text.isdecimal() or _KIND.search(text)) and read_year(text):
                self.fields["year"] = read_year(text)
                line.reads_as = "field"
            else:
                notes.append((line, text))
        self.notes = sorted([*notes, *self.notes], key=lambda note: note[0].number)


def _joined(head: tuple[ReadingLine, str, str]) -> str:
    """A first line; a tab between two parts is a dash."""
    parts = [tidy(part) for part in head[2].split("\t") if tidy(part)]
    return " - ".join(parts) if len(parts) == 2 else head[1]
