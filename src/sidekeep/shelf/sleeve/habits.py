"""Habits of a list: marks, times and signs in a form that no single line proves.

``1A Lamp`` may be a title, and so may ``Rope 3-45``. Where every track line of a list has the form, it is the list's.
Conventions: rows as in ``layouts``; a habit is undone where all track lines from its first on have it, else the rows stay.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from sidekeep.shelf.sleeve.columns import PlainLines
from sidekeep.shelf.sleeve.decoding import MAX_LINE
from sidekeep.shelf.sleeve.parts.fields import read_field, read_speed_line
from sidekeep.shelf.sleeve.parts.headings import read_heading
from sidekeep.shelf.sleeve.parts.lines import is_decoration
from sidekeep.shelf.sleeve.parts.marks import roman_number
from sidekeep.shelf.sleeve.parts.quoting import tidy
from sidekeep.shelf.sleeve.parts.times import is_time, read_time, write_time
from sidekeep.shelf.sleeve.parts.words import CREDIT_LINE

_FEWEST = 2
_SAID_OUTRIGHT = re.compile(r"^(?:\s{2,}|\t)[a-z]+: ")
_MARKS = (
    re.compile(r"^\s*(?P<side>[A-H])(?P<number>[0-9]{1,2})(?=[^\W\d_])"),
    re.compile(r"^\s*(?P<side>[A-H])[/:|_](?P<number>[0-9]{1,2})[.):]?\s+(?=\S)"),
    re.compile(r"^\s*(?P<number>[0-9]{1,2})(?P<side>[A-H])[.):]?\s+(?=\S)"),
    re.compile(
        r"^\s*s(?:ide)?\s?(?P<side>[1-9A-H])\s?[,./ -]?\s?t(?:rack)?\.?\s?(?P<number>[0-9]{1,2})\s?[.):\u2013-]?\s+(?=\S)",
        re.IGNORECASE,
    ),
)
_LETTER = re.compile(r"^\s*(?P<letter>[a-z])[.)]\s+(?=\S)")
_ROMAN = re.compile(r"^\s*[(\[]?(?P<roman>[IVX]{1,5}|[ivx]{1,5})[)\].:]{0,2}(?:\s+[-\u2013\u2014])?\s+(?=\S)")
_PICTURE = re.compile("^\\s*(?P<sign>[\U0001f000-\U0001faff\u2b50]|o(?= ))\ufe0f?\\s+(?=\\S)")
_MINUTES = r"(?P<m>[0-9]{1,3})"
_SECONDS = r"(?P<s>[0-5][0-9])"
_WORDS = (
    r"(?:about|some|env\.?|environ|etwa|ungef\u00e4hr|time|length|duration|playing time|dauer|dur\u00e9e|durata"
    r"|duraci\u00f3n)"
)
_TIMES_LAST = (
    (re.compile(rf"(?:\s{_MINUTES}[-\u2013]{_SECONDS})\s*$"), 2),
    (re.compile(rf"\s{{2,}}{_MINUTES} {_SECONDS}\s*$"), 2),
    (re.compile(rf"\s{_MINUTES} {_SECONDS}\s*$"), 3),
    (re.compile(rf"(?<=[^\W\d_]){_MINUTES}:{_SECONDS}\s*$"), 2),
    (
        re.compile(
            rf"(?<=[^\W\d_])\s[(\[]?(?P<word>{_WORDS})\s*[:=]?\s*{_MINUTES}:{_SECONDS}[)\]]?\s*$",
            re.IGNORECASE,
        ),
        2,
    ),
    (re.compile(r"\s[(\[]?(?P<only>[1-9][0-9]{1,3})\s?s(?:ec(?:ond)?s?)?\.?[)\]]?\s*$", re.IGNORECASE), 2),
)
"""Each with how many lines make it the list's: two titles may end in two numbers each."""
_SOUND_FILE = re.compile(r"(?<=\S)\.(?:wav|flac|aiff?|mp3|m4a|ogg|opus|wma)(?=\s|$)", re.IGNORECASE)
_FROM_TO = re.compile(r"^\s*[(\[]?(?P<start>[0-9:]+)\s*[-\u2013\u2014]\s*(?P<stop>[0-9:]+)[)\]]?\s+(?=\S)")
_TIME_INSIDE = re.compile(
    r"^(?!\s*[A-H]?[0-9]{1,2}[.):]?\s*[(\[])(?P<title>.*\S)\s*[(\[](?P<time>[^()\[\]]+)[)\]]\s+(?P<more>[^\d()\[\]\"]+)$"
)
_BY = re.compile(
    r"^(?P<mark>\s*[A-H]?[0-9]{0,2}[.)]?\s*)[\"\u201c](?P<title>[^\"\u201c\u201d]+)[\"\u201d]\s+by\s+(?P<artist>\S.*?)(?P<time>\s+[(\[]?[0-9:.']+[)\]]?)?\s*$"
)
_IN_BRACKETS = re.compile(r"^\s*\((?P<name>[^()\d]*[^\W\d_]\.\s?[^\W\d_][^()\d]*)\)\s*$")


def in_usual_form(plain: PlainLines) -> PlainLines:
    """The rows with marks, times and signs as most sleeves print them."""
    plain = _names_below(plain)
    for change in (
        _pointed,
        _marked,
        _numbered,
        _without_letters,
        _named_as_files,
        _timed,
        _lasting,
        _time_last,
        _by_whom,
    ):
        plain = change(plain)
    return plain


def _tracks(plain: PlainLines, form: re.Pattern[str]) -> list[int]:
    """Indexes of the track rows, all of which have a form; empty where one lacks it. No row that is too long has one:
    looking for it would cost its length squared."""
    found: list[int] = []
    for at, (_, row) in enumerate(plain):
        text = tidy(row)
        is_short = len(row) <= MAX_LINE
        if is_short and (form.match(row) if form.pattern.startswith("^") else form.search(row)):
            found.append(at)
        elif found and not (
            not text
            or is_decoration(text)
            or read_heading(text)
            or read_field(text)
            or read_speed_line(text)
            or CREDIT_LINE.match(text)
        ):
            return []
    return found if len(found) >= _FEWEST else []


def _changed(plain: PlainLines, tracks: Sequence[int], row_of: Callable[[str], str]) -> PlainLines:
    rows = set(tracks)
    return [(line, row_of(row)) if at in rows else (line, row) for at, (line, row) in enumerate(plain)]


def _pointed(plain: PlainLines) -> PlainLines:
    """One picture before every track is a bullet."""
    tracks = _tracks(plain, _PICTURE)
    signs = {match["sign"] for at in tracks if (match := _PICTURE.match(plain[at][1]))}
    return _changed(plain, tracks, lambda row: _PICTURE.sub("\u2022 ", row)) if len(signs) == 1 else plain


def _marked(plain: PlainLines) -> PlainLines:
    for form in _MARKS:
        tracks = _tracks(plain, form)
        marks = [(match["side"], match["number"]) for at in tracks if (match := form.match(plain[at][1]))]
        if marks and marks[0][0] in "A1a" and int(marks[0][1]) == 1:
            return _changed(plain, tracks, lambda row, form=form: form.sub(_usual_mark, row))  # type: ignore[misc]
    return plain


def _usual_mark(match: re.Match[str]) -> str:
    side = match["side"].upper()
    return f"{chr(ord('A') + int(side) - 1) if side.isdecimal() else side}{int(match['number'])} "


def _numbered(plain: PlainLines) -> PlainLines:
    """``I Lamp``, ``(II) Rope``, ``iii. Kelp``: Roman numbers that count, from each side's beginning or through all of them."""
    tracks = _tracks(plain, _ROMAN)
    if not tracks or _ends_with_a_time([row for _, row in plain[: tracks[0]]]):
        return plain  # parts of the track before them
    matches = [match for at in tracks if (match := _ROMAN.match(plain[at][1]))]
    numbers = [roman_number(match["roman"].upper()) for match in matches]
    anew = [any(read_heading(tidy(row)) for _, row in plain[a:b]) for a, b in zip(tracks, tracks[1:])]
    steps = zip(numbers, numbers[1:], anew)
    if numbers[0] != 1 or not all(b == a + 1 or (b == 1 and begins) for a, b, begins in steps):
        return plain
    return _changed(plain, tracks, lambda row: _ROMAN.sub(lambda match: f"{match['roman'].upper()}. ", row))


def _ends_with_a_time(rows: Sequence[str]) -> bool:
    return any(is_time(tidy(row).rpartition(" ")[2]) for row in rows)


def _named_as_files(plain: PlainLines) -> PlainLines:
    """``01 Lamp Oil.flac``: the list of a folder."""
    return _changed(plain, _tracks(plain, _SOUND_FILE), lambda row: _SOUND_FILE.sub("", row))


def _without_letters(plain: PlainLines) -> PlainLines:
    """``a) Lamp``, ``b) Rope``: letters count the tracks of each side."""
    tracks = _tracks(plain, _LETTER)
    if tracks and _ends_with_a_time([row for _, row in plain[: tracks[0]]]):
        return plain  # parts of the track before them
    letters = [match["letter"] for at in tracks if (match := _LETTER.match(plain[at][1]))]
    counted = letters[:1] == ["a"] and all(b in (chr(ord(a) + 1), "a") for a, b in zip(letters, letters[1:]))
    return _changed(plain, tracks, lambda row: _LETTER.sub("", row)) if counted else plain


def _timed(plain: PlainLines) -> PlainLines:
    """``Rope 3-45``, ``Rope   3 45``, ``Rope3:45``, ``Rope about 3:45``, ``Rope 225 s``."""
    for form, fewest in _TIMES_LAST:
        tracks = _tracks(plain, form)
        matches = [match for at in tracks if (match := form.search(plain[at][1]))]
        words = {match["word"].casefold() for match in matches if "word" in form.groupindex}
        if len(tracks) >= fewest and len(words) <= 1:
            return _changed(plain, tracks, lambda row, form=form: form.sub(_usual_time, row))  # type: ignore[misc]
    return plain


def _usual_time(match: re.Match[str]) -> str:
    part = match.groupdict()
    return f" {write_time(float(part['only']))}" if part.get("only") else f" {part['m']}:{part['s']}"


def _lasting(plain: PlainLines) -> PlainLines:
    """``3:45 - 7:55 Rope``: from where to where."""
    tracks = _tracks(plain, _FROM_TO)
    found: dict[int, str] = {}
    for at in tracks:
        row = plain[at][1]
        match = _FROM_TO.match(row)
        assert match is not None
        start, stop = read_time(match["start"]), read_time(match["stop"])
        if start is None or stop is None or stop <= start:
            return plain
        found[at] = f"{row[match.end() :].rstrip()} {write_time(stop - start)}"
    return [(line, found.get(at, row)) for at, (line, row) in enumerate(plain)]


def _time_last(plain: PlainLines) -> PlainLines:
    """``Rope (3:45) N. Okoro``: who wrote it stands behind the time."""
    tracks = _tracks(plain, _TIME_INSIDE)
    matches = [_TIME_INSIDE.match(plain[at][1]) for at in tracks]
    if not all(match is not None and is_time(match["time"]) for match in matches):
        return plain
    return _changed(
        plain, tracks, lambda row: _TIME_INSIDE.sub(r"\g<title> (\g<more>) \g<time>", row.rstrip())
    )


def _by_whom(plain: PlainLines) -> PlainLines:
    """``"Rope" by Nan Okoro 3:45``."""
    tracks = set(_tracks(plain, _BY))
    rows: PlainLines = []
    for at, (line, row) in enumerate(plain):
        match = _BY.match(row) if at in tracks else None
        if match is None:
            rows.append((line, row))
        else:
            rows.append((line, f'{match["mark"]}"{match["title"]}"{match["time"] or ""}'))
            rows.append((line, f"  artist: {tidy(match['artist'])}"))
    return rows


def _names_below(plain: PlainLines) -> PlainLines:
    """``(N. Okoro)`` on the line below a track that has a time: who wrote it."""
    rows: PlainLines = []
    below = False
    for line, row in plain:
        match = _IN_BRACKETS.match(row)
        if match is not None and below:
            rows.append((line, f"  composer: {tidy(match['name'])}"))
        else:
            rows.append((line, row))
        last = tidy(row).rpartition(" ")[2]
        below = is_time(last) and not _SAID_OUTRIGHT.match(row)
    return rows
