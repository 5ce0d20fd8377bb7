"""Spaces, unseen characters and quotes.

Conventions: *tidy* text is one line of visible characters with single spaces. One pair of quotes around a text goes;
quotes inside and backslashes are part of it.
"""

from __future__ import annotations

import re
import unicodedata

SPACES = re.compile(r"[\s\u00a0\u2000-\u200a\u202f\u3000]+")
UNSEEN = re.compile(
    "[\ufeff\u00ad\u061c\u200b\u200e\u200f\u202a-\u202e\u2060\u2066-\u2069\u0000-\u0008\u000e-\u001b\u007f-\u0084\u0086-\u009f]"
    "|(?<![\u0620-\u0dff])\u200c|\u200c(?![\u0620-\u0dff])"
)
"""What a person does not see: marks of direction, which would turn the words around a title too, and places to break a line.
Between letters of a script that joins them, the mark that parts them is spelling, and stays."""
_LONE = re.compile("[\ud800-\udfff]")
_PAIRS = {
    '"': '"',
    "\u201c": "\u201d",
    "\u201e": "\u201c\u201d",
    "\u201d": "\u201d",
    "\u00ab": "\u00bb",
    "\u00bb": "\u00ab",
}


def visible(text: str) -> str:
    """Without characters nobody sees, letters and their accents as one (NFC); half of a character pair becomes a replacement
    mark."""
    return unicodedata.normalize("NFC", _LONE.sub("\ufffd", UNSEEN.sub("", text)))


def tidy(text: str) -> str:
    """One line without unseen characters and doubled spaces (tabs count as spaces)."""
    return SPACES.sub(" ", visible(text)).strip()


def unquote(text: str) -> str | None:
    """The text inside one pair of quotes around all of it; None when there is none. ``"Yes" and "No"`` is not quoted."""
    if len(text) < 2 or text[-1] not in _PAIRS.get(text[0], ""):
        return None
    inside = text[1:-1]
    for at, sign in enumerate(inside):
        if sign == text[-1] or sign == text[0]:
            closes = at > 0 and not inside[at - 1].isspace() and not inside[at + 1 : at + 2].isalnum()
            return None if closes else inside
    return inside


def quote(text: str) -> str:
    """The text in quotes that it does not hold itself: double ones where that is possible."""
    for first, last in (('"', '"'), ("\u201c", "\u201d"), ("\u00ab", "\u00bb")):
        if first not in text and last not in text:
            return f"{first}{text}{last}"
    return f'"{text}"'
