"""Sleeve text: a record's track list as printed, typed or pasted, to a ``Record`` and back.

Conventions: the reader takes the forms sleeves use (docs/sleeve.md lists them) and never fails; a line it
cannot use is reported with its number, counted from 1. The writer's text reads back as an equal record
as long as tracks are numbered 1, 2, 3... on each side; odd titles are put in double quotes, what has no place on a
track line goes to an indented ``artist:``, ``composer:``, ``note:``, ``position:`` or ``number:`` line below it.
"""

from __future__ import annotations

import dataclasses
import itertools
import re
from dataclasses import dataclass

from sidekeep.model.record import Record, Side, SleeveTrack
from sidekeep.shelf import sleeve_table
from sidekeep.shelf.sleeve_fields import (
    field_text,
    field_value,
    has_year,
    read_rpm,
    read_size,
    read_title_line,
    read_year,
    write_rpm,
)
from sidekeep.shelf.sleeve_lines import (
    PrintedLine,
    is_decoration,
    quote,
    read_field,
    read_heading,
    read_line,
    side_letter,
    tidy,
    write_time,
)
from sidekeep.shelf.sleeve_people import Draft, settle_people
from sidekeep.shelf.sleeve_words import CREDIT_LINE

_NEWLINE = re.compile("\r\n|[\r\n\u2028\u2029\x85\x0b\x0c]")
_ATTRIBUTE = re.compile(r"^(?:\s{2,}|\t)(artist|composer|note|position|number): (.*)$")


@dataclass(frozen=True, kw_only=True)
class SleeveProblem:
    """A line that could not be read, or only in part: where, what it says, why."""

    line_number: int
    line: str
    reason: str


def read_sleeve(text: str) -> tuple[Record, list[SleeveProblem]]:
    """Record and problems of a sleeve text in any of the forms of docs/sleeve.md, CSV or JSON."""
    text = text.removeprefix("\ufeff")
    if sleeve_table.looks_like_json(text):
        lines, faults = sleeve_table.json_lines(text)
    elif (rows := sleeve_table.table_lines(text)) is not None:
        lines, faults = rows
    else:
        lines, faults = list(enumerate(_NEWLINE.split(text), start=1)), []
    reader = _Reader()
    for line_number, line in lines:
        reader.read(line_number, line)
    record, problems = reader.finish()
    problems += [SleeveProblem(line_number=n, line=line, reason=reason) for n, line, reason in faults]
    if record == Record() and not problems:
        problems.append(SleeveProblem(line_number=1, line="", reason="no track list in this text"))
    return record, sorted(problems, key=lambda problem: problem.line_number)


class _Reader:
    """Goes through the lines once; sides and people are settled in ``finish``."""

    def __init__(self) -> None:
        self.fields: dict[str, object] = {}
        self.notes: list[str] = []
        self.problems: list[SleeveProblem] = []
        self.head: list[tuple[int, str]] = []
        self.sides: dict[str, list[Draft]] = {}
        self.side = ""
        self.disc = 1
        self.earlier_sides: frozenset[str] = frozenset()
        self.pending: PrintedLine | None = None
        self.last: Draft | None = None
        self.blank_after_head = False

    def problem(self, line_number: int, line: str, reason: str) -> None:
        self.problems.append(SleeveProblem(line_number=line_number, line=line.strip(), reason=reason))

    def read(self, line_number: int, raw: str) -> None:
        line = tidy(raw)
        if not line:
            self.blank_after_head = bool(self.head)
            return
        attribute = _ATTRIBUTE.match(raw)
        if attribute is not None and self.last is not None:
            self.last.attributes[attribute[1]] = field_value(attribute[2].strip())
            return
        started = bool(self.sides)
        if (heading := read_heading(line)) is not None and not (
            not self.head and not started and has_year(line)
        ):
            self.open_side(heading.side, heading.disc)
            if heading.extra:
                self.notes.append(heading.extra)
            return
        if (field := read_field(line)) is not None and self.read_field(line_number, line, *field):
            return
        if is_decoration(line):
            if line.strip("-=_*~.#+/\\| \u2013\u2014\u2500\u2550\u2022\u00b7"):
                self.problem(line_number, raw, "no words in it")
            return
        printed = read_line(raw)
        if not started and not self.side and self.is_head(line, printed):
            self.head.append((line_number, line))
            return
        self.read_track(line_number, raw, line, printed)

    def is_head(self, line: str, printed: PrintedLine) -> bool:
        if self.head or {"artist", "title"} & self.fields.keys():
            return not (printed.mark or printed.timed or printed.literal)
        if has_year(line):
            return True
        return not printed.timed and (
            not printed.mark or (printed.side == "" and printed.number not in (0, 1))
        )

    def read_field(self, line_number: int, line: str, field: str, value: str) -> bool:
        """Take a field line; False when it turns out to be a track."""
        if self.sides and field in ("artist", "title"):
            return False
        literal = field_value(value)
        if field == "notes":
            self.notes.append(literal)
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
            if (
                "rpm" not in self.fields
                and re.search(r"\b(16|33|45|78)\b", value)
                and (rpm := read_rpm(value))
            ):
                self.fields["rpm"] = rpm
        if result is None:
            self.problem(line_number, line, f"no {field.replace('_', ' ')} found in {value!r}")
            return True
        self.fields[field] = result
        return True

    def open_side(self, letter: str, disc: int) -> None:
        if disc:
            if disc != self.disc or not letter:
                self.earlier_sides = frozenset(self.sides)
            self.disc = disc
        if not letter:
            letter = side_letter(2 * self.disc - 1)
            if self.sides.get(letter):
                letter = self.next_side()
            self.side = letter
            return
        self.side = self.resolve(letter)
        self.sides.setdefault(self.side, [])

    def resolve(self, letter: str) -> str:
        """A second disc's sides A and B are C and D of the record."""
        if self.disc > 1 and letter in self.earlier_sides and len(letter) == 1:
            return chr(ord(letter) + 2 * (self.disc - 1))
        return letter

    def next_side(self) -> str:
        used = [name for name in self.sides if len(name) == 1]
        return chr(ord(max(used)) + 1) if used else "A"

    def read_track(self, line_number: int, raw: str, line: str, printed: PrintedLine) -> None:
        if CREDIT_LINE.match(line) and not printed.mark and not printed.literal and self.last is not None:
            self.notes.append(line)
            return
        if not printed.body and not printed.literal:
            if printed.timed and not printed.mark:
                if self.last is not None and not self.last.printed.timed:
                    self.last.printed = dataclasses.replace(
                        self.last.printed, duration_s=printed.duration_s, timed=True
                    )
                else:
                    self.problem(line_number, raw, "a time without a track before it")
                return
            if not printed.timed:
                self.pending = printed
                return
        if self.pending is not None and not printed.mark:
            waiting = self.pending
            printed = dataclasses.replace(
                printed, mark=waiting.mark, side=waiting.side, number=waiting.number
            )
        self.pending = None
        if printed.wrong_time:
            self.problem(
                line_number, raw, f"{printed.wrong_time!r} is not a time; the track is kept without one"
            )
        if not printed.body and not printed.literal:
            self.problem(line_number, raw, "no title on this line; the track is kept without one")
        self.add(Draft(line_number=line_number, line=raw.strip(), printed=printed))

    def add(self, draft: Draft) -> None:
        printed = draft.printed
        if printed.side:
            self.side = self.resolve(printed.side)
        elif not self.side:
            self.side = "A"
        elif printed.number == 1 and any(other.printed.number for other in self.sides.get(self.side, [])):
            self.side = self.next_side()
        self.sides.setdefault(self.side, []).append(draft)
        self.last = draft

    def finish(self) -> tuple[Record, list[SleeveProblem]]:
        if not self.sides and len(self.head) > 1:
            first, *rest = self.head
            self.head = [first]
            for line_number, line in rest:
                self.read_track(line_number, line, line, read_line(line))
        self.read_head()
        drafts = [draft for side in self.sides.values() for draft in side]
        settle_people(drafts, str(self.fields.get("artist", "")))
        self.check_numbers()
        sides = tuple(
            Side(name=name, tracks=tuple(_track(draft, index) for index, draft in enumerate(tracks, start=1)))
            for name, tracks in self.sides.items()
        )
        record = Record(sides=sides, notes=tuple(self.notes))
        return dataclasses.replace(record, **self.fields), self.problems  # type: ignore[arg-type]

    def read_head(self) -> None:
        if not self.head:
            return
        artist, title, year = read_title_line(self.head[0][1])
        rest = self.head[1:]
        if not artist and rest and "artist" not in self.fields:
            artist, (second_artist, title, second_year) = title, read_title_line(rest[0][1])
            title = f"{second_artist} - {title}" if second_artist else title
            year = year or second_year
            rest = rest[1:]
        for key, value in (("artist", artist), ("title", title), ("year", year)):
            if value:
                self.fields.setdefault(key, value)
        for _, line in rest:
            if "year" not in self.fields and line.isdigit() and read_year(line):
                self.fields["year"] = read_year(line)
            else:
                self.notes.append(line)

    def check_numbers(self) -> None:
        """Report marks that jump: a line may have been lost."""
        for tracks in self.sides.values():
            numbered = [
                (index, draft) for index, draft in enumerate(tracks) if draft.printed.number is not None
            ]
            for (index, before), (later, after) in itertools.pairwise(numbered):
                step = (after.printed.number or 0) - (before.printed.number or 0)
                letters = before.printed.mark[-1:].isalpha() or after.printed.mark[-1:].isalpha()
                if (
                    step not in (1, later - index)
                    and not letters
                    and before.printed.side == after.printed.side
                ):
                    reason = (
                        f"number {after.printed.mark} follows {before.printed.mark}; a line may be missing"
                    )
                    self.problem(after.line_number, after.line, reason)


def _track(draft: Draft, index: int) -> SleeveTrack:
    more = draft.attributes
    return SleeveTrack(
        number=int(more["number"]) if more.get("number", "").isdigit() else index,
        title=draft.title,
        artist=more.get("artist", draft.artist),
        composer=more.get("composer", draft.composer),
        duration_s=draft.printed.duration_s,
        position=more.get("position", draft.printed.mark),
        note=more.get("note", draft.note),
    )


def write_sleeve(record: Record) -> str:
    """The record as sleeve text; plain where that is safe, quoted where it would be misread."""
    for literal in (False, True):
        text = _render(record, literal=literal)
        again, problems = read_sleeve(text)
        if again == record and not problems:
            return text
    return text


def _render(record: Record, *, literal: bool) -> str:
    lines: list[str] = []
    year = f" ({record.year})" if record.year is not None else ""
    if record.artist and record.title and not literal:
        lines.append(f"{record.artist} - {record.title}{year}")
    else:
        lines += [f"Artist: {quote(record.artist)}"] if record.artist else []
        lines += [f"Title: {quote(record.title)}"] if record.title else []
        lines += [f"Year: {record.year}"] if record.year is not None else []
    for name, value in (
        ("Label", record.label),
        ("Catalogue number", record.catalogue_number),
        ("Country", record.country),
        ("Speed", "" if record.rpm is None else write_rpm(record.rpm)),
        ("Size", "" if record.size_inch is None else f"{record.size_inch} inch"),
        ("Genre", record.genre),
        ("Barcode", record.barcode),
    ):
        if value:
            lines.append(f"{name}: {field_text(value)}")
    lines += [f"Note: {field_text(note)}" for note in record.notes]
    for side in record.sides:
        plain_name = len(side.name) == 1 and "A" <= side.name <= "Z"
        lines += ["", f"Side {side.name if plain_name else quote(side.name)}"]
        for index, track in enumerate(side.tracks, start=1):
            lines += _track_lines(track, side.name, index, literal=literal)
    return "\n".join(lines) + "\n"


def _track_lines(track: SleeveTrack, side: str, index: int, *, literal: bool) -> list[str]:
    mark = track.position if re.fullmatch(rf"{re.escape(side)}\d{{1,2}}", track.position) else ""
    title = quote(track.title) if literal or not track.title else track.title
    line = " ".join(
        filter(None, (mark, title, "" if track.duration_s is None else write_time(track.duration_s)))
    )
    if not literal:
        alone = read_line(line)
        if (alone.body, alone.mark) != (track.title, mark) or read_heading(line) or read_field(line):
            return _track_lines(track, side, index, literal=True)
    lines = [line]
    if track.position != mark:
        lines.append(f"  position: {field_text(track.position)}")
    if track.number != index:
        lines.append(f"  number: {track.number}")
    for name in ("artist", "composer", "note"):
        value = getattr(track, name)
        if value:
            lines.append(f"  {name}: {field_text(value)}")
    return lines
