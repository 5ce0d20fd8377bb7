"""What a line brings along that was pasted from a web page, or typed in another script: entities and tags, signs of
plain-text markup, digits and points of other scripts.

Conventions: what stands in double quotes is taken as it is, so a line with one is left alone. Digits are read where a mark
or a time can stand, at the beginning and the end of a line; those of a title stay as they are printed.
"""

from __future__ import annotations

import html
import re
import unicodedata

_ENTITY = re.compile(r"&(?:#[0-9]{1,7}|#[xX][0-9A-Fa-f]{1,6}|[A-Za-z][A-Za-z0-9]{1,8});")
_CELL_TAG = re.compile(r"</?t[dh](?:\s[^<>]*)?>", re.IGNORECASE)
_TAG = re.compile(
    r"</?(?:a|b|big|body|br|center|div|em|font|h[1-6]|hr|html|i|li|ol|p|s|small|span|strong|sub|sup|table|tbody|thead|tr|tt|u|ul)"
    r"(?:\s[^<>]*)?/?>",
    re.IGNORECASE,
)
_STRONG = re.compile(r"(?<![\w*])(\*{1,2})(?=[^\s*])([^*]+)(?<=[^\s*])\1(?![\w*])")
_HEADING = re.compile(r"^\s*(?:#{1,6}\s+(?=\S)|(={1,6})\s*(?=[^\s=])(?P<inner>.*[^\s=])\s*\1\s*$)")
_CIRCLED = re.compile("^\\s*([\u2460-\u2473\u2776-\u277f\u2780-\u2793\u24f5-\u24fe]|[0-9]\ufe0f?\u20e3)\\s*")
_MARK_LAST = re.compile(
    r"^(?P<number>\s*\w?\d{1,3})(?P<point>[.)\uff0e\uff09\u3001]?)(?=\s|(?<=[.)\uff0e\uff09\u3001]))"
)
_TIME_LAST = re.compile(
    r"(?:(?P<h>\d{1,2})\s?[:\uff1a\u2236]\s?)?(?P<m>\d{1,3})\s?[:\uff1a\u2236]\s?(?P<s>\d{2})(?=[)\]\uff09\s.,;]*$)"
)
_TIME_FIRST = re.compile(r"^(?P<before>\s*[(\[]?)(?P<m>\d{1,3})[:\uff1a\u2236](?P<s>\d{2})(?=[)\]\s])")
_POINTS = {"\uff0e": ".", "\u3001": ".", "\uff09": ")"}


def without_markup(raw: str) -> str:
    """The line as a web page shows it: entities as their signs, tags and signs of markup gone, cells parted by tabs."""
    if '"' in raw:
        return raw
    if "<" in raw:
        raw = _TAG.sub("", _CELL_TAG.sub("\t", raw))
    raw = _ENTITY.sub(lambda match: html.unescape(match[0]), raw)
    raw = _HEADING.sub(lambda match: match["inner"] or "", raw)
    return _STRONG.sub(r"\2", raw)


def plain_numbers(line: str) -> str:
    """The line with a mark before it and a time behind it in the digits 0 to 9; spaces around a time's colon go."""
    line = _CIRCLED.sub(lambda match: f"{_value(match[1][0])}. ", line)
    mark = _MARK_LAST.match(line)
    if mark is not None and not mark[0].isascii():
        point = _POINTS.get(mark["point"], mark["point"])
        line = _digits(unicodedata.normalize("NFKC", mark["number"])) + point + line[mark.end() :]
    first = _TIME_FIRST.match(line)
    if first is not None and not first[0].isascii():
        line = f"{first['before']}{_digits(first['m'])}:{_digits(first['s'])}{line[first.end() :]}"
    time = _TIME_LAST.search(line)
    if time is not None:
        line = (
            line[: time.start()]
            + ":".join(_digits(part) for part in time.groups() if part)
            + line[time.end() :]
        )
    return line


def _value(sign: str) -> int:
    return int(unicodedata.numeric(sign))


def _digits(text: str) -> str:
    return "".join(str(unicodedata.decimal(sign)) if sign.isdecimal() else sign for sign in text)
