"""One line of a sleeve text: bullet, mark, title, time.

Conventions: ``PrintedLine`` holds what could be told from the line alone; what needs the other lines (is ``X - Y`` an
artist and a title?) is decided in ``people``. Reading a line never fails: the body may be empty.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from sidekeep.shelf.sleeve.parts.marks import PrintedMark, take_mark
from sidekeep.shelf.sleeve.parts.pasted import plain_numbers
from sidekeep.shelf.sleeve.parts.quoting import SPACES, tidy, unquote, visible
from sidekeep.shelf.sleeve.parts.times import is_time, read_time, take_time, take_wrong_time

_BULLET = re.compile(
    r"^(?:[*+>#\u2013\u2014-]\s+|[\u2022\u00b7\u25aa\u25cf\u25e6\u2023\u2043\u25a0\u25a1\u25ba\u25b6\u2192\u2713\u2714\u266a\u266b]\s*)(?=\S)"
)
_ATTRIBUTE = re.compile(r"^(?:\s{2,}|\t)(title|artist|composer|note|isrc|mark|number): (.*)$")
_DECORATION = re.compile(r"^[\W_]*$")
_PICTURE = re.compile("[\U0001f000-\U0001ffff]|.\ufe0f")
_RULES = "-=_*~.#+/\\| \u2013\u2014\u2500\u2550\u2022\u00b7"
_SIDE_CELL = re.compile(r"[A-Ha-h]|AA|BB")


@dataclass(frozen=True, kw_only=True)
class PrintedLine:
    """What one track line says. ``body`` is what is left between mark and time; ``literal`` when it was quoted;
    ``dash_time`` when a dash stands before the time; ``wrong_time`` is a time that cannot be; ``cells`` are the texts of
    a line separated by tabs; ``is_indented`` with two spaces and more before it."""

    body: str
    mark: str = ""
    side: str = ""
    number: int | None = None
    duration_s: float | None = None
    literal: bool = False
    dash_time: bool = False
    timed: bool = False
    wrong_time: str = ""
    cells: tuple[str, ...] = ()
    bullet: bool = False
    is_indented: bool = False


def read_attribute(raw: str) -> tuple[str, str] | None:
    """(what it is, its value) of an indented line below a track that says one thing of it outright, or None. The value is taken
    letter by letter: it is never a part of a layout."""
    match = _ATTRIBUTE.match(visible(raw))
    return None if match is None else (match[1], match[2])


def without_bullet(line: str) -> str:
    """The line without a bullet before it."""
    return _BULLET.sub("", line)


def is_decoration(line: str) -> bool:
    """True for a line of nothing but punctuation. Pictures are words: some records are called by one."""
    return _DECORATION.match(line) is not None and unquote(line) is None and not _PICTURE.search(line)


def is_ruled(line: str) -> bool:
    """True for a line that only separates: dashes, stars, bars."""
    return not line.strip(_RULES)


def read_line(raw: str, *, letters: bool = False) -> PrintedLine:
    """Take mark and time off a track line. ``letters``: a capital letter before the title is a side."""
    cells = tuple(plain_numbers(tidy(cell)) for cell in visible(raw).strip("\r\n").split("\t"))
    if sum(bool(cell) for cell in cells) >= 2:
        return _read_cells(cells)
    whole = plain_numbers(visible(raw).strip())
    text = without_bullet(whole)
    is_pointed = text != whole
    text = re.sub(r" {2,}(?=\S)", "  ", SPACES.sub(lambda m: m[0] if len(m[0]) > 1 else " ", text))
    mark, rest = take_mark(text, letters=letters)
    if not rest and mark.text and is_time(text):
        mark, rest = PrintedMark(), text
    rest = tidy(rest)
    literal = unquote(rest)
    duration_s, timed, dash_time = None, False, False
    if literal is None:
        duration_s, rest, timed, dash_time = take_time(rest)
        if timed and not mark.text:
            mark, rest = take_mark(rest, letters=letters)
            rest = tidy(rest)
    wrong = ""
    if not timed and literal is None:
        wrong, rest = take_wrong_time(rest)
    literal = unquote(rest)
    return PrintedLine(
        body=rest if literal is None else literal.strip(),
        mark=mark.text,
        side=mark.side,
        number=mark.number,
        duration_s=duration_s,
        literal=literal is not None and rest.startswith('"'),
        dash_time=dash_time,
        timed=timed,
        wrong_time=wrong,
        bullet=is_pointed,
        is_indented=visible(raw).startswith("  "),
    )


@dataclass
class _Row:
    """What the cells of a row have told so far."""

    mark: PrintedMark = field(default_factory=PrintedMark)
    duration_s: float | None = None
    timed: bool = False
    texts: list[str] = field(default_factory=list)

    def take(self, cell: str, *, is_last: bool, is_alone: bool) -> None:
        """A cell is the time, (more of) the mark, or text. The last is no mark, and one that stands alone no time."""
        if is_time(cell):
            if not self.timed and not is_alone:
                self.duration_s, self.timed = read_time(cell), True
                return
        elif not is_last and self._take_mark(cell):
            return
        self.texts.append(cell)

    def _take_mark(self, cell: str) -> bool:
        found, rest = take_mark(cell)
        if self.mark.number is not None or not found.text or rest or (self.mark.text and found.side):
            return False
        self.mark = PrintedMark(self.mark.text + found.text, self.mark.side or found.side, found.number)
        return True

    def read_within_text(self) -> None:
        """Mark and time may stand in the same cell as the title."""
        one = read_line(self.texts[0])
        if not self.mark.text:
            self.mark = PrintedMark(one.mark, one.side, one.number)
        if not self.timed:
            self.duration_s, self.timed = one.duration_s, one.timed
        if one.body:
            self.texts = [one.body]


def _read_cells(cells: tuple[str, ...]) -> PrintedLine:
    """A row of a table without a heading: side, mark, time and text cells in any order."""
    row = _Row()
    filled = [cell for cell in cells if cell]
    if _SIDE_CELL.fullmatch(filled[0]):
        row.mark = PrintedMark(filled[0], filled[0].upper(), None)
        filled = filled[1:]
    for index, cell in enumerate(filled):
        row.take(cell, is_last=index == len(filled) - 1, is_alone=len(filled) == 1)
    if len(row.texts) == 1 and not (row.mark.text and row.timed):
        row.read_within_text()
    body = row.texts[-1] if row.texts else ""
    literal = unquote(body)
    return PrintedLine(
        body=body if literal is None else literal,
        mark=row.mark.text,
        side=row.mark.side,
        number=row.mark.number,
        duration_s=row.duration_s,
        timed=row.timed,
        literal=literal is not None,
        cells=tuple(row.texts),
    )
