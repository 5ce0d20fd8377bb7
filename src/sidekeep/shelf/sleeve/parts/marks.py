"""Marks before a title: ``A1``, ``1.``, ``#3``, ``1-02``, ``IV.``, ``B`` alone on a single.

Conventions: a side is a capital letter, ``A`` for the first, or a doubled one, as singles with two first sides print it (``A``,
``AA``); numbers count from 1. A mark keeps its printed form.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_POSITION = re.compile(
    r"^(?i:track\s+|no\.?\s+|nr\.?\s+|#\s?|№\s?)?"
    r"[(\[]?(?P<mark>(?P<side>[A-Za-z])(?P<twice>(?P=side))?\s?[-.]?\s?(?P<side_number>[0-9]{1,2})(?P<part>[a-z](?=[\s.):\]]))?"
    r"|(?P<disc>[0-9]{1,2})-(?P<disc_number>[0-9]{1,2})(?=[\s.):\]])"
    r"|(?P<number>[0-9]{1,3})(?P<number_part>[a-z](?=[.):\]]))?)"
    r"(?:\s*[)\]]\s*[-.:\u2013\u2014]?\s*|\s*[.:]\s*(?![0-9])|\s+[-\u2013\u2014|]\s*|-\s+|\u2014(?![0-9])|\s+|$)",
)
_STRICT_LETTER = re.compile(r"^(?P<mark>AA|BB|[A-H])(?:\s*[.:)/]\s+|\s+[-\u2013\u2014]\s+|\t+|\s{2,})(?=\S)")
_LOOSE_LETTER = re.compile(r"^(?P<mark>AA|BB|[A-H])\s+(?=\S)")
_ROMAN = re.compile(r"^(?P<mark>(?:X{0,2}(?:IX|IV|V?I{0,3})))(?:\s*[.)]\s+)")


@dataclass(frozen=True)
class PrintedMark:
    """A mark as printed, the side it names (or none) and the number (or None)."""

    text: str = ""
    side: str = ""
    number: int | None = None


def side_letter(number: int) -> str:
    """1 is A, 2 is B, ...; empty past Z."""
    return chr(ord("A") + number - 1) if 1 <= number <= 26 else ""


def take_mark(text: str, *, letters: bool = False) -> tuple[PrintedMark, str]:
    """The mark a line begins with, and the rest. With ``letters`` a capital letter and a space are a side, as on singles
    (``A Lamp Oil``)."""
    match = _POSITION.match(text)
    if match is not None:
        mark, rest = match["mark"], text[match.end() :]
        if match["side"]:
            side = match["side"].upper() * (2 if match["twice"] else 1)
            return PrintedMark(mark, side, int(match["side_number"])), rest
        if match["disc"]:
            return PrintedMark(mark, side_letter(int(match["disc"])), int(match["disc_number"])), rest
        return PrintedMark(mark, "", int(match["number"])), rest
    match = _STRICT_LETTER.match(text) or (_LOOSE_LETTER.match(text) if letters else None)
    if match is not None:
        return PrintedMark(match["mark"], match["mark"], None if letters else 1), text[match.end() :]
    match = _ROMAN.match(text)
    if match is not None and match["mark"]:
        return PrintedMark(match["mark"], "", roman_number(match["mark"])), text[match.end() :]
    return PrintedMark(), text


def loose_letter(text: str) -> str:
    """The letter of a side a line begins with, with a space after it, or empty."""
    match = _LOOSE_LETTER.match(text) or _STRICT_LETTER.match(text)
    return match["mark"] if match else ""


def roman_number(mark: str) -> int:
    """The value of a Roman number of capital I, V and X."""
    values = [{"I": 1, "V": 5, "X": 10}[letter] for letter in mark]
    return sum(-v if v < max(values[k:]) else v for k, v in enumerate(values))
