"""Track lists whose layout was lost on the way: pasted from a phone's browser, from a PDF, from below a video.

Conventions: rows are put as a sleeve would print them, one track a line, each still with the line of the text it came from, so
that one reader (``line_reader``) makes the record. A layout is only undone where every part of it fits; else the rows stay.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from sidekeep.model.record import Record
from sidekeep.shelf.sleeve.columns import PlainLines
from sidekeep.shelf.sleeve.habits import in_usual_form
from sidekeep.shelf.sleeve.label_headings import as_headings
from sidekeep.shelf.sleeve.parts.headings import read_heading
from sidekeep.shelf.sleeve.parts.lines import read_attribute, read_line
from sidekeep.shelf.sleeve.parts.pasted import without_markup
from sidekeep.shelf.sleeve.parts.quoting import tidy
from sidekeep.shelf.sleeve.parts.times import is_time, read_time, take_time

_GAP = re.compile(r"\t+|[ \u00a0]{3,}")
_MARK_INSIDE = re.compile(r"(?:(?<=[\s,;/|])|^)(?=[A-H][0-9]{1,2}[.):]?\s+\S)")
_PARTED = " \t,;/|"
_BETWEEN = tuple(
    re.compile(sign)
    for sign in (r"\s*[\u2022\u00b7|]\s*", r"\s+/\s+", r"\s*;\s+", r"\s+[\u2014\u2013-]\s+", r",\s+")
)
"""What stands between the tracks of a line."""
_LONGEST = 1000
"""Letters of a line that is looked through for several tracks: a guard, each is tried at every sign."""
_BLOCK = re.compile(r"<br\s*/?>|</?(?:li|tr|p|h[1-6]|div|ul|ol|table|tbody|thead)\s*>", re.IGNORECASE)
_ATTRIBUTES = re.compile(r"<(?P<tag>[a-zA-Z][a-zA-Z0-9]*)\s[^<>]*?(?P<end>/?)>")
_SPACED_LEADER = re.compile(r"(?:\s\.){3,}\s*(?=\S+\s*$)")
_NEAR = 14
"""Letters by which a column may begin before or after its heading."""
_MOST_TEXTS = 3
"""On their own lines below a mark: title, artist, and one more."""


def one_track_a_line(plain: PlainLines) -> PlainLines:
    """The rows of a text, each with one track."""
    rows = _several_in_a_line(_side_by_side(as_headings(_web_blocks(plain))))
    return in_usual_form(_titles_then_times(_cells_below_each_other(_unwrapped(rows))))


def lengths_from_starts(record: Record) -> Record:
    """A list without sides whose times are those at which tracks begin (the first is 0:00, each later than the one before), with
    their lengths instead; the last has none."""
    starts = [track.duration_s for side in record.sides for track in side.tracks]
    known = [start for start in starts if start is not None]
    if len(starts) < 3 or len(known) < len(starts) or known[0] != 0.0:
        return record
    lengths = [round(later - earlier, 3) for earlier, later in zip(known, known[1:])]
    if min(lengths) <= 0.0:
        return record
    given = iter([*lengths, None])
    sides = tuple(
        replace(side, tracks=tuple(replace(track, duration_s=next(given)) for track in side.tracks))
        for side in record.sides
    )
    return replace(record, sides=sides)


def _web_blocks(plain: PlainLines) -> PlainLines:
    """Source of a web page: what it shows on lines of their own."""
    rows: PlainLines = []
    for line, row in plain:
        bare = _ATTRIBUTES.sub(r"<\g<tag>\g<end>>", row)
        if _BLOCK.search(bare):
            rows += [(line, without_markup(part)) for part in _BLOCK.split(bare)]
        else:
            rows.append((line, row))
    return rows


def _side_by_side(plain: PlainLines) -> PlainLines:
    """Sides printed in columns, under headings that stand on one line."""
    for top, (line, row) in enumerate(plain):
        heads = _parts(row)
        if len(heads) < 2 or any(read_heading(tidy(text)) is None for _, text in heads):
            continue
        columns: list[PlainLines] = [[(line, text)] for _, text in heads]
        rest: PlainLines = []
        begins = [at for at, _ in heads]
        is_ruled = _are_ruled([text for _, text in plain[top + 1 :]], begins)
        for below, text in plain[top + 1 :]:
            cells = _cut_at(text, begins) if is_ruled else _in_columns(text, begins)
            for column, cell in zip(columns, cells, strict=True):
                if cell:
                    column.append((below, cell))
            if not any(cells):
                rest.append((below, text))
        if all(len(column) > 1 for column in columns):
            return [*plain[:top], *(row for column in columns for row in column), *rest]
    return plain


def _are_ruled(rows: Sequence[str], heads: Sequence[int]) -> bool:
    """Whether every row that reaches so far begins a word just below each heading, and gaps are too narrow to tell columns by."""
    full = [row for row in rows if row.strip()]
    reached = [(row, head) for row in full for head in heads[1:] if len(row) > head]
    return (
        not any("\t" in row for row in full)
        and all(row[head - 1].isspace() and not row[head].isspace() for row, head in reached)
        and any(not _begins_near(row, head) for row, head in reached)
    )


def _begins_near(row: str, head: int) -> bool:
    """Whether a gap near the heading has more than a time behind it."""
    return any(abs(at - head) <= _NEAR and at and not is_time(text) for at, text in _parts(row))


def _cut_at(row: str, heads: Sequence[int]) -> list[str]:
    return [row[start:stop].strip() for start, stop in zip([0, *heads[1:]], [*heads[1:], len(row)])]


def _parts(row: str) -> list[tuple[int, str]]:
    """What stands between wide gaps, and where it begins."""
    found, at = [], 0
    for gap in [*_GAP.finditer(row), None]:
        stop = gap.start() if gap else len(row)
        if row[at:stop].strip():
            found.append((at, row[at:stop].strip()))
        at = gap.end() if gap else stop
    return found


def _in_columns(row: str, heads: Sequence[int]) -> list[str]:
    """The row cut at the gaps nearest to where the columns begin; with tabs at every so many cells."""
    cells = [cell for cell in row.split("\t") if cell.strip()]
    if "\t" in row.strip("\t") and len(cells) % len(heads) == 0:
        size = len(cells) // len(heads)
        return ["\t".join(cells[at * size : (at + 1) * size]) for at in range(len(heads))]
    starts = [at for at, _ in _parts(row)]
    cuts = [0]
    for head in heads[1:]:
        near = [at for at in starts if abs(at - head) <= _NEAR and at > cuts[-1]]
        # of two gaps the one before a mark: the other stands before a time
        marked = [at for at in near if read_line(row[at:]).mark]
        cuts.append(min(marked or near, key=lambda at: abs(at - head), default=len(row)))
    return _cut_at(row, cuts)


def _unwrapped(plain: PlainLines) -> PlainLines:
    """A title that goes on below: a mark and no time, and on the next line a time and no mark, where all other lines have both or
    no such pair could be told from them."""
    read = [read_line(row) if row.strip() else None for _, row in plain]
    goes_on = [
        at
        for at, (first, second) in enumerate(zip(read, read[1:]))
        if first is not None
        and second is not None
        and bool(first.mark and first.body and second.body and second.timed)
        and read_attribute(plain[at + 1][1]) is None
        and not (first.timed or second.mark or second.bullet)
        and read_heading(tidy(plain[at + 1][1])) is None
    ]
    unmarked = sum(line is not None and line.timed and not line.mark and bool(line.body) for line in read)
    if len(goes_on) != unmarked or not any(line is not None and line.mark and line.timed for line in read):
        return plain
    rows: PlainLines = []
    for at, (line, row) in enumerate(plain):
        if at - 1 in goes_on:
            line.reads_as = "track"
            rows[-1] = (rows[-1][0], f"{rows[-1][1].rstrip()} {row.strip()}")
        else:
            rows.append((line, row))
    return rows


def _several_in_a_line(plain: PlainLines) -> PlainLines:
    """``A1 Lamp Oil 3:45, A2 Rope 4:10``: a new track at every mark, or after every sign between them, where each part of the
    line ends with a time. The heading of a side may stand before them."""
    rows: PlainLines = []
    for line, row in plain:
        if len(row) > _LONGEST or read_attribute(row):
            rows.append((line, row))
            continue
        row = _SPACED_LEADER.sub(" ... ", row)
        starts = [match.start() for match in _MARK_INSIDE.finditer(row)] if '"' not in row else []
        parts = [row[start:stop].strip(_PARTED) for start, stop in zip(starts, [*starts[1:], len(row)])]
        if len(parts) > 1 and not row[: starts[0]].strip() and all(take_time(part)[2] for part in parts):
            rows += [(line, part) for part in parts]
        else:
            rows += [(line, part) for part in _parted_by_signs(row)]
    return rows


def _parted_by_signs(row: str) -> list[str]:
    text = tidy(row)
    heading = read_heading(text)
    extra = heading.extra.split(" ")[0] if heading is not None and heading.side else ""
    at = text.find(extra, 4) if extra else 0
    for sign in _BETWEEN if '"' not in row and "\t" not in row and at >= 0 else ():
        parts = [part.strip(_PARTED) for part in sign.split(text[at:])]
        taken = [take_time(part) for part in parts]
        if len(parts) > 1 and all(time is not None and rest for time, rest, _, _ in taken):
            return [text[:at].strip(" :-\u2013\u2014"), *parts] if at else parts
    return [row]


def _cells_below_each_other(plain: PlainLines) -> PlainLines:
    """Mark, title and time (and an artist) each on a line of its own, as a table comes out of a small window."""
    full = [(line, tidy(row)) for line, row in plain if row.strip()]
    marks = [at for at, (_, text) in enumerate(full) if _is_mark(text)]
    if len(marks) < 2 or not _is_counted([full[at][1] for at in marks]):
        return plain
    rows: PlainLines = [*full[: marks[0]]]
    shapes = set()
    for at, stop in zip(marks, [*marks[1:], len(full)]):
        below = full[at + 1 : stop]
        heading = next((k for k, (_, text) in enumerate(below) if k and read_heading(text)), len(below))
        texts, after = below[:heading], below[heading:]
        titles = [each for each in texts if not is_time(each[1])]
        times = [text for _, text in texts if is_time(text)]
        if not _are_of_one_track([text for _, text in titles], times):
            return plain
        shapes.add((len(titles), len(times)))
        for other, _ in [full[at], *texts]:
            other.reads_as = "track"
        line, title = titles[0]
        rows.append((line, "\t".join([full[at][1], title, *times])))
        rows += after
    # what stands below some marks only is no table, but a list with its titles on the next line
    return rows if len({titles for titles, _ in shapes}) == 1 and any(times for _, times in shapes) else plain


def _are_of_one_track(titles: Sequence[str], times: Sequence[str]) -> bool:
    return 1 <= len(titles) <= _MOST_TEXTS and len(times) <= 1 and not any("\t" in text for text in titles)


def _is_mark(text: str) -> bool:
    read = read_line(f"{text} x")
    return bool(read.mark) and read.body == "x" and not is_time(text)


def _is_counted(marks: Sequence[str]) -> bool:
    """Whether marks count on from each other, or begin anew at 1."""
    numbers = [re.sub(r"\D+", "", mark) for mark in marks]
    if not all(numbers):
        return False
    counted = [int(number[-2:]) for number in numbers]
    return counted[0] == 1 and all(b in (a + 1, 1) for a, b in zip(counted, counted[1:]))


def _titles_then_times(plain: PlainLines) -> PlainLines:
    """A column of titles and below it the column of their times, within each side."""
    begins = [at for at, (_, row) in enumerate(plain) if at == 0 or read_heading(tidy(row)) is not None]
    rows: PlainLines = []
    for start, stop in zip(begins, [*begins[1:], len(plain)]):
        rows += _joined(plain[start:stop])
    return rows


def _joined(section: PlainLines) -> PlainLines:
    full = [(line, row) for line, row in section if row.strip()]
    first = next((at for at, (_, row) in enumerate(full) if is_time(tidy(row))), len(full))
    heads = 1 if full and read_heading(tidy(full[0][1])) is not None else 0
    titles, times = full[heads:first], full[first:]
    # a title of the record, and an artist, may stand above where no heading does
    above = len(titles) - len(times)
    if len(times) < 2 or not (above == 0 or (not heads and above in (1, 2))):
        return section
    pairs = list(zip(titles[above:], times))
    if any(read_time(tidy(time[1])) is None or take_time(tidy(title[1]))[2] for title, time in pairs):
        return section
    for line, _ in times:
        line.reads_as = "track"
    joined = [(line, f"{row.rstrip()}\t{tidy(time)}") for (line, row), (_, time) in pairs]
    return [*full[:heads], *titles[:above], *joined]
