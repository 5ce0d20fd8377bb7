"""Values of the optional sleeve fields (year, speed, size, ...) and the first line.

Conventions: readers return None when the text holds no such value; writers give text that reads back
as the same value. Speeds are revolutions per minute, sizes inches (30, 25 and 17 cm are 12, 10 and 7).
"""

from __future__ import annotations

import re

from sidekeep.shelf.sleeve.parts.pasted import without_markup
from sidekeep.shelf.sleeve.parts.quoting import quote, unquote
from sidekeep.shelf.sleeve.parts.words import FIELDS
from sidekeep.units import LP_RPM

DASH = re.compile(r"\s+[-\u2013\u2014\u2012\u2212]{1,2}\s+|\s*[\u2014]\s*")
SLASH = re.compile(r"\s+[/|]\s+")
_YEAR = re.compile(r"\b(1[89][0-9][0-9]|20[0-9][0-9])\b")
_YEAR_LAST = re.compile(
    r"\s*(?:[(\[]\D{0,12}(?P<a>1[89][0-9][0-9]|20[0-9][0-9])\D{0,3}[)\]]|,\s*(?P<b>1[89][0-9][0-9]|20[0-9][0-9]))\s*$"
)
_FIELD = re.compile(r"^(?P<name>[^:=]{2,24}?)\s*[:=\uff1a]\s*(?P<value>.*)$")
_SIZE = r"[0-9]{1,2}(?: ?(?:\"|''|\u2033|\u201d)|[ -]?inch|[ -]?zoll| ?cm)"
_KINDS = r"stereo|mono|lp|ep|single|maxi(?:[ -]single)?|vinyl|[\s.,;/|()-]"
_SPEED_LINE = re.compile(
    rf"(?:{_KINDS}|speed|{_SIZE})*"
    r"(?P<speed>(?:16|33|45|78)(?:[.,][0-9]+| ?\u2153| ?\u2154| [12]/3)?) ?"
    r"(?:rpm|r\.p\.m\.?|u/min|upm|u\.p\.m\.?|tr/min|tours(?:/min(?:ute)?)?|giri|rev\.?/min)"
    rf"(?:{_KINDS}|{_SIZE})*",
    re.IGNORECASE,
)
_SIZE_LINE = re.compile(rf"(?:{_KINDS})*(?P<size>{_SIZE})(?:{_KINDS})*", re.IGNORECASE)
_CM = {30: 12, 25: 10, 17: 7, 18: 7}


def read_year(text: str) -> int | None:
    """The first year from 1800 to 2099 in a text."""
    match = _YEAR.search(text)
    return int(match[1]) if match else None


def read_rpm(text: str) -> float | None:
    """Revolutions per minute: ``33``, ``33 1/3``, ``33\u2153 rpm``, ``45``, ``78.26``; bare 33 means 100/3, 16 means 50/3."""
    text = text.replace("\u2153", " 1/3").replace("\u2154", " 2/3").replace(",", ".")
    match = re.search(r"(?<![0-9.])([0-9]{2}(?:\.[0-9]+)?)(?:\s+([12])/3)?(?![0-9\"'])", text)
    if match is None:
        return None
    whole = match[1]
    if match[2]:
        return (float(whole) * 3 + int(match[2])) / 3
    if whole in ("33", "33.3", "33.33", "33.333"):
        return LP_RPM
    if whole in ("16", "16.6", "16.67", "16.66"):
        return 50 / 3
    value = float(whole)
    return value if 10.0 <= value < 100.0 else None


def write_rpm(rpm: float) -> str:
    """``33 1/3`` for a third, else the number itself."""
    for thirds, name in ((LP_RPM, "33 1/3"), (50 / 3, "16 2/3")):
        if rpm == thirds:
            return name
    return f"{rpm:g}" if float(f"{rpm:g}") == rpm else repr(rpm)


def read_size(text: str) -> int | None:
    """Diameter in inches from ``12"``, ``12-inch``, ``30 cm``, ``LP``, ``7``."""
    if match := re.search(r"([0-9]{2})\s*cm", text, re.IGNORECASE):
        return _CM.get(int(match[1]))
    marks = r"(?:\"|''|[\u2033\u201d]|[\s-]*(?:inch(?:es)?|in\b|zoll|pouces|pulgadas))"
    if match := re.search(rf"\b([0-9]{{1,2}})\s?{marks}", text, re.I):
        return int(match[1])
    if match := re.fullmatch(r"\s*([0-9]{1,2})\s*", text):
        return int(match[1])
    return 12 if re.search(r"\bLP\b", text) else None


def read_title_line(line: str) -> tuple[str, str, int | None]:
    """(artist, title, year) of ``Artist - Title (Year)``; a line without a dash is a title."""
    year = None
    match = _YEAR_LAST.search(line)
    if match is not None and match.start() > 0:
        year = int(match["a"] or match["b"])
        line = line[: match.start()].rstrip()
    parts = DASH.split(line, maxsplit=1)
    if len(parts) == 2 and all(part.strip() for part in parts):
        artist, title = (part.strip() for part in parts)
    else:
        artist, title = "", line.strip()
    return (unquote(artist) or artist), (unquote(title) or title), year


def has_year(line: str) -> bool:
    """True when the line ends in a bracketed year, as a record's first line does."""
    match = _YEAR_LAST.search(line)
    return match is not None and match["a"] is not None


def read_field(line: str) -> tuple[str, str] | None:
    """(field of Record, value) of a line such as ``Label: Osprook``, or None."""
    match = _FIELD.match(line)
    if match is None:
        return None
    field = FIELDS.get(match["name"].strip().casefold())
    return None if field is None else (field, match["value"].strip())


def read_speed_line(line: str) -> tuple[str, str] | None:
    """The same of a line that says a speed and nothing beside it but what kind of record it is, as sleeves print it:
    ``45 RPM``, ``12" 45 r.p.m.``, ``Stereo 33\u2153 U/min``, ``45 rpm, 7"``."""
    match = _SPEED_LINE.fullmatch(line)
    return None if match is None else ("rpm", match["speed"])


def read_size_line(line: str) -> tuple[str, str] | None:
    """The same of a line that says a size and no speed: ``7" single``, ``12-inch LP``."""
    match = _SIZE_LINE.fullmatch(line)
    return None if match is None else ("size_inch", match["size"])


def field_value(text: str) -> str:
    """A field's text: one pair of quotes around it goes."""
    literal = unquote(text)
    return text if literal is None else literal


def field_text(value: str) -> str:
    """Text for a field that ``field_value`` reads back unchanged."""
    plain = bool(value) and unquote(value) is None and without_markup(value) == value
    return value if plain else quote(value)
