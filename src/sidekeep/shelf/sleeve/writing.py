"""The way back: a record as sleeve text in the plain form.

Conventions: the text reads back as an equal record as long as its words are tidy (``quoting.tidy``) and its sides are single
letters. Odd titles are put in double quotes; what has no place on a track line goes to an indented ``title:``, ``artist:``,
``composer:``, ``note:``, ``isrc:``, ``mark:`` or ``number:`` line below it, whose rest is taken letter by letter.
"""

from __future__ import annotations

import re

from sidekeep.model.record import Record, SleeveTrack
from sidekeep.shelf.sleeve.parts.fields import field_text, read_field, write_rpm
from sidekeep.shelf.sleeve.parts.headings import read_heading
from sidekeep.shelf.sleeve.parts.lines import read_line
from sidekeep.shelf.sleeve.parts.quoting import quote, unquote
from sidekeep.shelf.sleeve.parts.times import like_a_time, write_time
from sidekeep.shelf.sleeve.reading import read_sleeve


def write_sleeve(record: Record) -> str:
    """The record as sleeve text; plain where that is safe, outright where it would be misread."""
    for outright in (False, True):
        text = _render(record, outright=outright)
        again, problems = read_sleeve(text)
        if again == record and not problems:
            return text
    return text


def _render(record: Record, *, outright: bool) -> str:
    lines: list[str] = []
    year = f" ({record.year})" if record.year is not None else ""
    if record.artist and record.title and not outright:
        lines.append(f"{record.artist} - {record.title}{year}")
    else:
        lines += [f"Artist: {field_text(record.artist)}"] if record.artist else []
        lines += [f"Title: {field_text(record.title)}"] if record.title else []
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
        # A letter that is a Roman number too is quoted where it might be read as one.
        lines += ["", f'Side "{side.name}"' if outright and side.name in "IV" else f"Side {side.name}"]
        for index, track in enumerate(side.tracks, start=1):
            lines += _track_lines(track, side.name, index, outright=outright)
    return "\n".join(lines) + "\n"


def _track_lines(track: SleeveTrack, side: str, index: int, *, outright: bool) -> list[str]:
    mark = track.position if re.fullmatch(rf"{re.escape(side)}[0-9]{{1,2}}", track.position) else ""
    title = quote(track.title) if outright or not track.title or unquote(track.title) else track.title
    time = "" if track.duration_s is None else write_time(track.duration_s)
    line = " ".join(filter(None, (mark, title, time)))
    alone = read_line(line)
    is_doubtful = track.duration_s is None and like_a_time(track.title)[0]
    if not outright and (
        (alone.body, alone.mark) != (track.title, mark)
        or is_doubtful
        or read_heading(line)
        or read_field(line)
    ):
        return _track_lines(track, side, index, outright=True)
    lines = [line]
    if outright:
        lines.append(f"  title: {track.title}")
    if track.position != mark:
        lines.append(f"  mark: {track.position}")
    if track.number != index:
        lines.append(f"  number: {track.number}")
    more = {"artist": track.artist, "composer": track.composer, "note": track.note, "isrc": track.isrc}
    lines += [f"  {name}: {value}" for name, value in more.items() if value]
    return lines
