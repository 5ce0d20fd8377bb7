"""Printed times: ``3:45``, ``3'45"``, ``3.45``, ``3 min 45 s``.

Conventions: exact decimals until they become float seconds, so that a written time reads back as the same number.
"""

from __future__ import annotations

import re
from decimal import Decimal

_MIN = r"['\u2019\u2032\u00b4`]"
_SEC = r"(?:''|\"|[\u201d\u2033\u201c]|\u2019\u2019|\u2032\u2032)"
_TIME = (
    r"(?:"
    r"(?:(?P<h1>[0-9]{1,2}):)?(?P<m1>[0-9]{1,5})[:\uff1a\u2236](?P<s1>[0-9]{2}(?:\.[0-9]+)?)"
    rf"|(?P<m2>[0-9]{{1,3}})\s?{_MIN}\s?(?P<s2>[0-9]{{1,2}}(?:\.[0-9]+)?)?\s?{_SEC}?"
    rf"|(?P<s3>[0-9]{{1,3}}(?:\.[0-9]+)?)\s?{_SEC}"
    r"|(?:(?P<h4>[0-9]{1,2})\s?h(?:ours?|rs?)?\.?\s?)?(?P<m4>[0-9]{1,3})\s?m(?:in(?:utes?|\.)?)?\.?"
    r"(?:\s?(?:(?:and|und|et|y|e)\s)?(?P<s4>[0-9]{1,2}(?:\.[0-9]+)?)\s?(?:s(?:ec(?:onds?|\.)?)?\.?)?)?"
    r"|(?P<m5>[0-9]{1,2})[.,](?P<s5>[0-5][0-9])"
    r"|(?P<none>[-\u2013?]{1,2}[:.][-\u2013?]{2})"
    r")"
)
_SURE = r"(?:ca?\.?\s?|circa\s|[~\u2248\u00b1]\s?|approx\.?\s?)?"
_UNIT = r"(?:\s?(?:min(?:utes?|\.)?|mins?\.?|h|hrs?))?(?:\s(?:approx|ca|circa)\b\.?)?"
_ONLY = re.compile(rf"[(\[{{<]?\s*{_SURE}{_TIME}{_UNIT}\s*[)\]}}>]?", re.IGNORECASE)
# Possessive, and begun nowhere but at its first dot: of a leader, however long, nothing is tried twice.
_LAST = re.compile(
    rf"(?:^|(?P<gap>\s*+(?<![.\u2026_\u00b7])[.\u2026_\u00b7]{{2,}}+\s*|\s*(?:\s|^)[-\u2013\u2014|~,;:/]+\s*|\s*[,;|=\u2014\u2013]\s*|:\s+|\s+|(?=[(\[])))"
    rf"[(\[{{<]?\s*{_SURE}{_TIME}{_UNIT}\s*[)\]}}>]?\s*[.;,*\u2020\u2021]{{0,2}}$",
    re.IGNORECASE,
)
_FIRST = re.compile(
    rf"^[(\[{{<]?\s*{_SURE}{_TIME}{_UNIT}\s*[)\]}}>]?(?:\s*[-\u2013\u2014|:;,.]+\s+|\s+)", re.IGNORECASE
)
_WRONG = re.compile(r"(?:\s|[(\[])([0-9]{1,3}:[6-9][0-9])[)\]]?$")
_INSIDE = re.compile(
    rf"^(?P<title>.*\S)\s*(?:(?P<bracket>[(\[])|(?<=\s))\s*{_TIME}\s*[)\]]?\s*(?P<more>[(\[][^()\[\]]*\D[)\]])$"
)
_LABELLED = re.compile(
    r"(?P<open>[(\[])\s*(?:time|duration|length|playing time|dauer|dur\u00e9e|durata|duraci\u00f3n)\s*[:=.]?\s*"
    r"(?=[0-9][^()\[\]]*[)\]]$)",
    re.IGNORECASE,
)
"""``(duration: 3:45)``: said of the bracket, which no title would."""
_SLIPPED = re.compile(r"(?P<before>(?:^|\s)[(\[]?)(?P<m>[0-9]{1,2});(?P<s>[0-5][0-9])(?P<after>[)\]]?)$")
"""A colon typed without its shift key, on the keyboards that have both on one key."""
_LIKE_A_TIME = re.compile(
    r"(?:^|\s)(?:(?P<h>[0-9]{1,2})\s?[hH]\s?(?P<s1>[0-5][0-9])|(?P<m>[1-9][0-9]?)(?P<s2>[0-5][0-9])"
    r"|(?P<m3>[1-9][0-9]?) (?P<s3>[0-5][0-9])|(?P<m4>[0-9OolI|]{1,2}):(?P<s4>[0-9OolI|]{1,2})"
    r"|(?P<size>7|10|12)\s?[\"\u201d\u2033])$"
)
_HOLDS_A_TIME = re.compile(r"(?<![0-9:])(?P<m>[0-9]{1,2}):(?P<s>[0-5][0-9])(?![0-9:])")
_MISTYPED = str.maketrans("OolI|", "00111")
_SIZES_INCH = ("7", "10", "12")
"""Of records: ``7"`` behind a title says on which one it is, and is seldom its length in seconds."""
_DASHES = "-\u2013\u2014"


def _typed(text: str) -> str:
    """The text with ``3;45`` at its end as ``3:45``: no title ends so."""
    text = _LABELLED.sub(r"\g<open>", text)
    return _SLIPPED.sub(r"\g<before>\g<m>:\g<s>\g<after>", text)


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
    match = _ONLY.fullmatch(_typed(text.strip()))
    if match is None or not _possible(match):
        return None
    value = _seconds(match)
    return None if value is None else float(value)


def is_time(text: str) -> bool:
    """True for a printed time or a placeholder for one."""
    match = _ONLY.fullmatch(_typed(text.strip()))
    return match is not None and _possible(match)


def write_time(duration_s: float) -> str:
    """``225.0`` as ``3:45``; decimals only when there are some; reads back as the same float."""
    minutes, seconds = divmod(Decimal(repr(duration_s)), 60)
    whole = int(seconds)
    part = f"{seconds - whole:f}".partition(".")[2].rstrip("0")
    return f"{int(minutes)}:{whole:02d}" + (f".{part}" if part else "")


def take_time(text: str) -> tuple[float | None, str, bool, bool]:
    """(seconds, rest, a time was there, a dash stood before it)."""
    text = _typed(text)
    match = _LAST.search(text)
    if match is not None and _possible(match) and match["s3"] not in _SIZES_INCH:
        rest = text[: match.start()].rstrip(" .\u2026_\u00b7")
        if text[: match.start()].endswith((".", "\u2026")) and not re.search(
            r"[.\u2026]{2,}", text[match.start() - 3 :]
        ):
            rest = text[: match.start()].rstrip()
        value = _seconds(match)
        dash = any(sign in (match["gap"] or "") for sign in _DASHES)
        return (None if value is None else float(value)), rest, True, dash
    match = _FIRST.match(text)
    if match is not None and _possible(match) and match["m5"] is None:
        value = _seconds(match)
        return (None if value is None else float(value)), text[match.end() :].strip(), True, False
    match = _INSIDE.match(text)
    if match is not None and _possible(match) and (match["bracket"] or match["m1"]):
        value = _seconds(match)
        return (None if value is None else float(value)), f"{match['title']} {match['more']}", True, False
    return None, text, False, False


def like_a_time(text: str) -> tuple[str, bool]:
    """(how what looks like a time in a title would be written as one, or empty; nothing else can be meant). ``3h45`` is the hours
    and minutes of no track of a record; ``345`` may well be a title, or the end of one, and so may ``The 3:45 Again``."""
    match = _LIKE_A_TIME.search(text)
    if match is None:
        match = _HOLDS_A_TIME.search(text)
        return (f"{match['m']}:{match['s']}" if match else ""), False
    part = match.groupdict()
    if part["size"]:
        return f"0:{int(part['size']):02d}", False
    minutes = (part["h"] or part["m"] or part["m3"] or part["m4"]).translate(_MISTYPED)
    seconds = (part["s1"] or part["s2"] or part["s3"] or part["s4"]).translate(_MISTYPED)
    return f"{minutes}:{seconds.ljust(2, '0')}", part["h"] is not None


def take_wrong_time(text: str) -> tuple[str, str]:
    """(a time that cannot be, such as ``3:75``, or empty; the rest)."""
    match = _WRONG.search(text)
    return (match[1], text[: match.start()].rstrip(" .-\u2013\u2014([")) if match else ("", text)
