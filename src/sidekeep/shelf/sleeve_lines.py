"""One line of a sleeve text: what is printed where.

Conventions: a line is stripped text. ``PrintedLine`` holds what could be told from the line alone; what
needs the other lines (is ``X - Y`` an artist and a title?) is decided in ``sleeve_text``. Times are exact
decimals until they become float seconds, so that a written time reads back as the same number.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from decimal import Decimal

from sidekeep.shelf.sleeve_words import DISC_WORDS, FIELDS, ORDINALS, SIDE_WORDS

SPACES = re.compile(r"[\s\u00a0\u2000-\u200a\u202f\u3000]+")
INVISIBLE = re.compile("[\ufeff\u200b\u200c\u2060]")

_MIN = r"['\u2019\u2032\u00b4`]"
_SEC = r"(?:''|\"|[\u201d\u2033\u201c]|\u2019\u2019|\u2032\u2032)"
_TIME = (
    r"(?:"
    r"(?:(?P<h1>\d{1,2}):)?(?P<m1>\d{1,5})[:\uff1a\u2236](?P<s1>\d{2}(?:\.\d+)?)"
    rf"|(?P<m2>\d{{1,3}})\s?{_MIN}\s?(?P<s2>\d{{1,2}}(?:\.\d+)?)?\s?{_SEC}?"
    rf"|(?P<s3>\d{{1,3}}(?:\.\d+)?)\s?{_SEC}"
    r"|(?:(?P<h4>\d{1,2})\s?h(?:ours?|rs?)?\.?\s?)?(?P<m4>\d{1,3})\s?m(?:in(?:utes?|\.)?)?\.?"
    r"(?:\s?(?P<s4>\d{1,2}(?:\.\d+)?)\s?(?:s(?:ec(?:onds?|\.)?)?\.?)?)?"
    r"|(?P<m5>\d{1,2})\.(?P<s5>[0-5]\d)"
    r"|(?P<none>[-\u2013?]{1,2}[:.][-\u2013?]{2})"
    r")"
)
_SURE = r"(?:ca?\.?\s?|circa\s|~\s?|approx\.?\s?)?"
_UNIT = r"(?:\s?(?:min(?:utes?|\.)?|mins?\.?|h|hrs?))?"
TIME_ONLY = re.compile(rf"[(\[{{<]?\s*{_SURE}{_TIME}{_UNIT}\s*[)\]}}>]?", re.IGNORECASE)
TIME_LAST = re.compile(
    rf"(?:^|(?P<gap>\s*[.\u2026_\u00b7]{{2,}}\s*|\s*(?:\s|^)[-\u2013\u2014|~,;:/]+\s*|\s*[,;|\u2014\u2013]\s*|\s+|(?=[(\[])))"
    rf"[(\[{{<]?\s*{_SURE}{_TIME}{_UNIT}\s*[)\]}}>]?\s*[.;,]?$",
    re.IGNORECASE,
)
TIME_FIRST = re.compile(
    rf"^[(\[{{<]?\s*{_SURE}{_TIME}{_UNIT}\s*[)\]}}>]?(?:\s*[-\u2013\u2014|:;,.]+\s+|\s+)", re.IGNORECASE
)
WRONG_TIME = re.compile(r"(?:\s|[(\[])(\d{1,3}:[6-9]\d)[)\]]?$")

_POSITION = re.compile(
    r"^(?i:track\s+|no\.?\s+|nr\.?\s+|#\s?|№\s?)?"
    r"[(\[]?(?P<mark>(?P<side>[A-Za-z])\2?\s?[-.]?\s?(?P<side_number>\d{1,2})(?P<part>[a-z](?=[\s.):\]]))?"
    r"|(?P<disc>\d{1,2})-(?P<disc_number>\d{1,2})(?=[\s.):\]])"
    r"|(?P<number>\d{1,3})(?P<number_part>[a-z](?=[.):\]]))?)"
    r"(?:\s*[)\]]\s*[-.:\u2013\u2014]?\s*|\s*[.:]\s*(?!\d)|\s+[-\u2013\u2014|]\s*|-\s+|\s+|$)",
)
_STRICT_SIDE_LETTER = re.compile(r"^(?P<mark>[A-H])(?:\s*[.:)]\s+|\s+[-\u2013\u2014]\s+|\t+|\s{2,})(?=\S)")
_ROMAN = re.compile(r"^(?P<mark>(?:X{0,2}(?:IX|IV|V?I{0,3})))(?:\s*[.)]\s+)")
_BULLET = re.compile(r"^[\u2022\u00b7\u25aa\u25cf\u25e6\u2023\u2043*+>-]\s+")
_DECORATION = re.compile(r"^[\W_]*$")
_FRAME = re.compile(r"^[\s=*#_~|\[({<>\u2013\u2014-]+|[\s=*#_~|\])}<>:\u2013\u2014.-]+$")

_NAME = r"(?P<{0}>[A-Za-z]{{1,2}}|\d{{1,2}}|[^\W\d_]+)"
_SIDE_FIRST = re.compile(
    rf"^(?:{SIDE_WORDS})(?:\s*[:#.\u2013-]\s*|\s+|(?=\d))(?P<name>\"(?:[^\"\\]|\\.)*\"|[^\W_]+)(?P<rest>.*)$",
    re.IGNORECASE,
)
_SIDE_LAST = re.compile(
    rf"^(?P<name>[^\W_]+)(?:\s*[-.]\s*|\s+)(?:{SIDE_WORDS})(?P<rest>(?:\W.*)?)$", re.IGNORECASE
)
_SIDE_CJK = re.compile(r"^(?:第)?(?P<name>[A-Za-z\uff21-\uff28]|\d)\s?面(?P<rest>.*)$")
_DISC = re.compile(
    rf"^(?:{DISC_WORDS})(?:\s*[:#.]?\s*)(?P<name>\d{{1,2}}|[^\W\d_]+)(?P<rest>(?:\W.*)?)$",
    re.IGNORECASE,
)
_FIELD = re.compile(r"^(?P<name>[^:=]{2,24}?)\s*[:=\uff1a]\s*(?P<value>.*)$")


@dataclass(frozen=True, kw_only=True)
class PrintedLine:
    """What one track line says. ``body`` is what is left between mark and time; ``literal`` when it
    was quoted; ``dash_time`` when a dash stands before the time; ``wrong_time`` is a time that cannot be."""

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


@dataclass(frozen=True, kw_only=True)
class Heading:
    """A side or disc heading. ``disc`` and ``side`` are 0 / empty when the line does not name them."""

    side: str = ""
    disc: int = 0
    extra: str = ""


def tidy(text: str) -> str:
    """One line without byte-order mark, invisible characters and doubled spaces (tabs count as spaces)."""
    return SPACES.sub(" ", INVISIBLE.sub("", text)).strip()


def unquote(text: str) -> str | None:
    """The text inside double quotes, with JSON escapes; None when it is not one quoted string."""
    if len(text) >= 2 and text[0] == '"' and text[-1] == '"':
        try:
            value = json.loads(text)
        except ValueError:
            return None
        return value if isinstance(value, str) else None
    return None


def quote(text: str) -> str:
    """Text in double quotes such that any string survives a trip through a line of text."""
    plain = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() or ord(c) > 0xFFFF else f"\\u{ord(c):04x}" for c in plain)


def _seconds(match: re.Match[str]) -> Decimal | None:
    """Seconds of a matched time; None when it is a placeholder such as ``--:--``."""
    part = match.groupdict()
    if part["none"]:
        return None
    hours = part["h1"] or part["h4"] or 0
    minutes = part["m1"] or part["m2"] or part["m4"] or part["m5"] or 0
    seconds = part["s1"] or part["s2"] or part["s3"] or part["s4"] or part["s5"] or 0
    return Decimal(hours) * 3600 + Decimal(minutes) * 60 + Decimal(seconds)


def _possible(match: re.Match[str]) -> bool:
    """True unless the seconds run past 59 beside minutes, or the minutes past 59 beside hours."""
    part = match.groupdict()
    seconds = part["s1"] or part["s2"] or part["s4"] or part["s5"] or "0"
    return Decimal(seconds) < 60 and not (part["h1"] and int(part["m1"]) > 59)


def read_time(text: str) -> float | None:
    """Seconds of a printed time such as ``3:45``, ``3'45"``, ``3.45``, ``3 min 45 s``; None if it is none."""
    match = TIME_ONLY.fullmatch(text.strip())
    if match is None or not _possible(match):
        return None
    value = _seconds(match)
    return None if value is None else float(value)


def is_time(text: str) -> bool:
    """True for a printed time or a placeholder for one."""
    match = TIME_ONLY.fullmatch(text.strip())
    return match is not None and _possible(match)


def write_time(duration_s: float) -> str:
    """``225.0`` as ``3:45``; decimals only when there are some; reads back as the same float."""
    minutes, seconds = divmod(Decimal(repr(duration_s)), 60)
    whole = int(seconds)
    part = f"{seconds - whole:f}".partition(".")[2].rstrip("0")
    return f"{int(minutes)}:{whole:02d}" + (f".{part}" if part else "")


def side_letter(number: int) -> str:
    """1 is A, 2 is B, ..."""
    return chr(ord("A") + number - 1) if 1 <= number <= 26 else ""


def _side_name(word: str) -> str:
    literal = unquote(word)
    if literal is not None:
        return literal
    folded = word.casefold()
    if folded in ORDINALS and not (len(word) == 1 and folded not in "iv"):
        return side_letter(ORDINALS[folded])
    if word.isdigit():
        return side_letter(int(word))
    if len(word) == 2 and word[0].casefold() == word[1].casefold():
        word = word[0]
    if len(word) == 1:
        letter = chr(ord(word) - 0xFEE0) if "\uff21" <= word <= "\uff5a" else word
        return letter.upper() if letter.isascii() and letter.isalpha() else ""
    return ""


def read_heading(line: str) -> Heading | None:
    """The side or disc a heading line names (``Side One``, ``[FACE B]``, ``Disc 2 - Side A``), or None."""
    if '"' not in line:
        line = _FRAME.sub("", line)
    disc = 0
    match = _DISC.match(line)
    if match is not None:
        word = match["name"].casefold()
        disc = int(word) if word.isdigit() else ORDINALS.get(word, 0)
        if not disc:
            return None
        line = _FRAME.sub("", match["rest"].lstrip(" ,;:/."))
        if not line:
            return Heading(disc=disc)
    if len(line) == 1 and line.upper() in "ABCDEFGH" and (line.isupper() or disc):
        return Heading(side=line.upper(), disc=disc)
    for pattern in (_SIDE_FIRST, _SIDE_LAST, _SIDE_CJK):
        match = pattern.match(line)
        if match is not None and (name := _side_name(match["name"])):
            extra = match["rest"].strip(" :-\u2013\u2014()[].=*#\"'\u201c\u201d")
            if match["rest"][:1].isalnum() or (pattern is _SIDE_FIRST and _is_plain_sentence(match["rest"])):
                return None
            return Heading(side=name, disc=disc, extra="" if is_time(extra) else extra)
    return (
        Heading(disc=disc, extra=line)
        if disc and not is_time(line)
        else (Heading(disc=disc) if disc else None)
    )


def _is_plain_sentence(rest: str) -> bool:
    """True when words follow a side name with nothing but a space between: a title, not a heading."""
    return bool(re.match(r"^\s+[^\W\d_]", rest))


def read_field(line: str) -> tuple[str, str] | None:
    """(field of Record, value) of a line such as ``Label: Tin Roof``, or None."""
    match = _FIELD.match(line)
    if match is None:
        return None
    field = FIELDS.get(match["name"].strip().casefold())
    return None if field is None else (field, match["value"].strip())


def is_decoration(line: str) -> bool:
    """True for a line of nothing but punctuation."""
    return _DECORATION.match(line) is not None and unquote(line) is None


def _take_mark(text: str) -> tuple[str, str, int | None, str]:
    """(mark as printed, side letter, number, rest)."""
    match = _POSITION.match(text)
    if match is not None:
        rest = text[match.end() :]
        mark = match["mark"]
        if match["side"] and (len(mark) > 1):
            return mark, match["side"].upper(), int(match["side_number"]), rest
        if match["disc"]:
            return mark, side_letter(int(match["disc"])), int(match["disc_number"]), rest
        if match["number"]:
            return mark, "", int(match["number"]), rest
    match = _STRICT_SIDE_LETTER.match(text)
    if match is not None:
        return match["mark"], match["mark"], 1, text[match.end() :]
    match = _ROMAN.match(text)
    if match is not None and match["mark"]:
        return match["mark"], "", _roman(match["mark"]), text[match.end() :]
    return "", "", None, text


def _roman(mark: str) -> int:
    values = [{"I": 1, "V": 5, "X": 10}[letter] for letter in mark]
    return sum(-v if v < max(values[k:]) else v for k, v in enumerate(values))


def read_line(raw: str) -> PrintedLine:
    """Take mark and time off a track line; what is left is the body. Never fails: the body may be empty."""
    cells = tuple(tidy(cell) for cell in raw.strip("\r\n").split("\t"))
    if sum(bool(cell) for cell in cells) >= 2:
        return read_cells(cells)
    text = _BULLET.sub("", INVISIBLE.sub("", raw).strip())
    text = re.sub(r" {2,}(?=\S)", "  ", SPACES.sub(lambda m: m[0] if len(m[0]) > 1 else " ", text))
    mark, side, number, rest = _take_mark(text)
    if not rest and mark and is_time(text):
        mark, side, number, rest = "", "", None, text
    rest = tidy(rest)
    duration_s, rest, timed, dash_time = _take_time(rest)
    if timed and not mark:
        mark, side, number, rest = _take_mark(rest)
        rest = tidy(rest)
    wrong = ""
    if not timed and (match := WRONG_TIME.search(rest)) is not None:
        wrong, rest = match[1], rest[: match.start()].rstrip(" .-\u2013\u2014([")
    literal = unquote(rest)
    if literal is None:
        body = rest.strip()
        if len(body) > 2 and body[0] in "\u201c\u201e\u00ab" and body[-1] in "\u201d\u201c\u00bb":
            body = body[1:-1].strip()
        return PrintedLine(
            body=body, mark=mark, side=side, number=number, duration_s=duration_s,
            dash_time=dash_time, timed=timed, wrong_time=wrong,
        )  # fmt: skip
    return PrintedLine(
        body=literal, mark=mark, side=side, number=number, duration_s=duration_s, literal=True, timed=timed
    )


def _take_time(text: str) -> tuple[float | None, str, bool, bool]:
    """(seconds, rest, a time was there, a dash stood before it)."""
    match = TIME_LAST.search(text)
    if match is not None and _possible(match):
        rest = text[: match.start()].rstrip(" .\u2026_\u00b7")
        if text[: match.start()].endswith((".", "\u2026")) and not re.search(
            r"[.\u2026]{2,}", text[match.start() - 3 :]
        ):
            rest = text[: match.start()].rstrip()
        value = _seconds(match)
        dash = any(sign in (match["gap"] or "") for sign in "-\u2013\u2014")
        return (None if value is None else float(value)), rest, True, dash
    match = TIME_FIRST.match(text)
    if match is not None and _possible(match) and match["m5"] is None:
        value = _seconds(match)
        return (None if value is None else float(value)), text[match.end() :].strip(), True, False
    return None, text, False, False


def read_cells(cells: tuple[str, ...]) -> PrintedLine:
    """A row of a table without a heading: mark, time and text cells in any order."""
    mark, side, number, duration_s, timed = "", "", None, None, False
    texts: list[str] = []
    filled = [cell for cell in cells if cell]
    for index, cell in enumerate(filled):
        if not timed and index > 0 and is_time(cell):
            duration_s, timed = read_time(cell), True
            continue
        if not mark and index < len(filled) - 1 and not is_time(cell):
            found, found_side, found_number, rest = _take_mark(cell)
            if found and not rest:
                mark, side, number = found, found_side, found_number
                continue
        if not timed and index == 0 and is_time(cell):
            duration_s, timed = read_time(cell), True
            continue
        texts.append(cell)
    if len(texts) == 1 and (not mark or not timed):
        one = read_line(texts[0])
        if not mark:
            mark, side, number = one.mark, one.side, one.number
        if not timed:
            duration_s, timed = one.duration_s, one.timed
        texts = [one.body] if one.body else texts
    body = texts[-1] if texts else ""
    literal = unquote(body)
    return PrintedLine(
        body=body if literal is None else literal, mark=mark, side=side, number=number,
        duration_s=duration_s, timed=timed, literal=literal is not None, cells=tuple(texts),
    )  # fmt: skip
