"""Which side a recording is by what a person called its file."""

from __future__ import annotations

import re
import string
from collections.abc import Mapping, Sequence
from pathlib import Path

from sidekeep.model.finding import Finding
from sidekeep.model.record import Record, Side
from sidekeep.shelf.sleeve.parts.quoting import visible

SIDE_LETTERS = string.ascii_uppercase
_SIDE = re.compile(
    r"\b(?:(?:side|face|seite|lado|cara|lato|strona) ([a-z])|side([a-rt-z])|(?:side|seite|lado|lato) ?([1-9]|1\d|2[0-6]))\b"
    r"|\b([a-z]) ?(?:side|seite|面)(?![^\W_])",
    re.IGNORECASE,
)
_MARK = re.compile(r"([A-Z])[1-9]\d?")
"""A track's letter and number before its title."""
_DISC = re.compile(r"\b(?:disc|disk|disque|disco|platte|lp|vinyl) ?([1-9])\b", re.IGNORECASE)


def side_in_name(file_name: str, known: Mapping[str, Side]) -> Side | None:
    """``side-B.wav``, ``Side B 1.flac``, ``my record - B.wav``, ``B2 Rope.wav``: the letter a person put there."""
    words = _words(file_name)
    last = words[-1] if words and not _said(words) else ""
    letter = last.upper() if len(words) == 1 else last
    if mark := _MARK.fullmatch(words[0] if words else ""):
        letter = last = mark[1]
    return side_said(file_name, known) or (known.get(letter) if len(last) == 1 else None)


def side_said(file_name: str, known: Mapping[str, Side]) -> Side | None:
    """The same, but in so many words, or with nothing else in the name (``B.wav``): a title may end in a letter. None where two
    sides are named (``Side A and B.wav``)."""
    words = _words(file_name)
    if len(words) == 1 and len(words[0]) == 1:
        return known.get(words[0].upper())
    said = _said(words)
    letters = set(said.values()) & set(known)
    others = {word for word in words if word in known} - set(said)
    return known[letters.pop()] if len(letters) == 1 and not others else None


def sides_without_sleeve(names: Sequence[str]) -> list[str]:
    """The side each of some recordings is by its name where no sleeve says which sides there are; empty where nothing tells.

    Names are believed when every one says a side and no two the same: in so many words, or as letters that count up from A."""
    known = {letter: Side(name=letter) for letter in SIDE_LETTERS}
    for says in (side_said, side_in_name):
        found = [side.name for name in names if (side := says(name, known)) is not None]
        counts_up = sorted(found) == list(SIDE_LETTERS[: len(names)])
        if len(set(found)) == len(names) and (says is side_said or (counts_up and len(names) > 1)):
            return found
    return [""] * len(names)


def name_findings(path: Path, taken_as: Sequence[str], length_frames: int) -> list[Finding]:
    """A finding where a file says in so many words to be another side than those it was taken as."""
    said = set(_said(_words(path.name)).values())
    if len(said) != 1 or not taken_as or said & set(taken_as):
        return []
    return [
        Finding(
            kind="named-otherwise",
            start_frame=0,
            stop_frame=length_frames,
            severity="look",
            facts={"file": visible(path.name), "named": said.pop(), "side": ", ".join(taken_as)},
        )
    ]


def order_findings(path: Path, taken_as: Sequence[str], record: Record, length_frames: int) -> list[Finding]:
    """A finding where nothing but the order of the files says which side this is: its name does not, and another side of the
    sleeve has as many tracks of as good as the same times, or neither has times."""
    known = {side.name: side for side in record.sides}
    if len(taken_as) != 1 or taken_as[0] not in known or side_in_name(path.name, known) is not None:
        return []
    own = known[taken_as[0]]
    alike = [side.name for side in record.sides if side is not own and _sounds_as_long(own, side)]
    return [
        Finding(
            kind="order-believed",
            start_frame=0,
            stop_frame=length_frames,
            severity="note",
            facts={"file": visible(path.name), "side": own.name, "other": other},
        )
        for other in alike[:1]
    ]


def _sounds_as_long(one: Side, two: Side) -> bool:
    """Whether no track's length tells two sides apart: players run up to one percent wrong, and printed times are rounded (common
    practice, no source)."""
    if len(one.tracks) != len(two.tracks):
        return False
    for a, b in zip(one.tracks, two.tracks, strict=True):
        if (a.duration_s is None) != (b.duration_s is None):
            return False
        if a.duration_s and b.duration_s and abs(a.duration_s - b.duration_s) > 2.0 + 0.01 * a.duration_s:
            return False
    return True


def sides_of_names(names: Sequence[str], sides: Sequence[str], missing: Sequence[str]) -> list[str]:
    """The side(s) that each of some recordings is taken for until the person says otherwise; empty where nothing tells.

    Names that say a side are believed, unless several say the same: then they are pieces or tracks of it, and none is the side.
    Where none says one, as many recordings as there are ``sides``, or as are ``missing`` of them, are those in order; a single
    one is the one that is missing, or all."""
    known = {side: Side(name=side) for side in sides}
    found = [said.name if (said := side_in_name(name, known)) is not None else "" for name in names]
    if any(found):
        return [side if found.count(side) == 1 else "" for side in found]
    if len(names) == 1:
        return ["".join(missing or sides)]
    return next((list(those) for those in (missing, sides) if len(those) == len(names)), found)


def _said(words: Sequence[str]) -> dict[str, str]:
    """Letters and numbers that stand beside a word for side, and the letter of the side that is meant by each."""
    text = " ".join(words)
    discs = {int(number) for number in _DISC.findall(text)}
    before = 2 * (discs.pop() - 1) if len(discs) == 1 else 0
    return {each: _letter(each, before) for each in ("".join(found).upper() for found in _SIDE.findall(text))}


def _letter(said: str, before: int) -> str:
    """The letter of a side: side 2 is side B, and side 1 or A of the second disc is side C."""
    at = int(said) - 1 if said.isdigit() else ord(said) - ord("A")
    return chr(ord("A") + (at + before if at < 2 else at))


def _words(file_name: str) -> list[str]:
    return "".join(c if c.isalnum() else " " for c in Path(file_name).stem).split()
