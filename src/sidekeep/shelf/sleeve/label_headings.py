"""Headings as the labels of a record have them: ``11A`` and ``11B``, ``TR 104-A`` and ``TR 104-B``, ``1A 1B 2A 2B``.

Conventions: rows as in ``layouts``. One such line alone may be a title; two and more that differ by their letters only, with
tracks between them, are sides.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from sidekeep.shelf.sleeve.columns import PlainLines
from sidekeep.shelf.sleeve.parts.headings import read_heading
from sidekeep.shelf.sleeve.parts.lines import read_line
from sidekeep.shelf.sleeve.parts.quoting import tidy
from sidekeep.shelf.sleeve.parts.words import SIDE_WORDS

_LABEL = re.compile(
    rf"^(?:(?:{SIDE_WORDS})\s+)?(?P<stem>[^\s\"](?:[^\"]{{0,22}}[^\s\"-])?)\s?-?\s?(?P<letter>[A-H])$",
    re.IGNORECASE,
)


def as_headings(plain: PlainLines) -> PlainLines:
    """The rows with such lines as headings of sides, where they are those of a list."""
    texts = [tidy(row) for _, row in plain]
    found = {
        at: match
        for at, text in enumerate(texts)
        if (match := _LABEL.match(text)) and re.search("[0-9]", match["stem"])
    }
    stems = [match["stem"].casefold() for match in found.values()]
    letters = [match["letter"].upper() for match in found.values()]
    if len(found) < 2 or not _are_above_tracks(texts, list(found)):
        return plain
    if len(set(stems)) == 1 and letters == [chr(ord("A") + k) for k in range(len(letters))]:
        heads = [f"Side {letter}" for letter in letters]
    elif _are_discs(stems, letters):
        heads = [f"Disc {stem} - Side {letter}" for stem, letter in zip(stems, letters, strict=True)]
    else:
        return plain
    named = dict(zip(found, heads, strict=True))
    return [(line, named.get(at, row)) for at, (line, row) in enumerate(plain)]


def _are_discs(stems: Sequence[str], letters: Sequence[str]) -> bool:
    """``1A 1B 2A 2B``: numbers of discs, with the letters of each or counted through."""
    if not all(stem.isdecimal() and stem.isascii() and len(stem) < 3 for stem in stems):
        return False
    numbers = [int(stem) for stem in stems]
    is_counted = numbers[0] == 1 and all(b - a in (0, 1) for a, b in zip(numbers, numbers[1:]))
    return is_counted and "".join(letters) in ("ABABABAB"[: len(letters)], "ABCDEFGH"[: len(letters)])


def _are_above_tracks(texts: Sequence[str], heads: Sequence[int]) -> bool:
    """No other line names a side, the first stands above all tracks, and below each there are tracks with a mark or a time."""
    others = [at for at, text in enumerate(texts) if text and at not in heads]
    read = {at: read_line(texts[at]) for at in others}
    return (
        not any((heading := read_heading(texts[at])) is not None and heading.side for at in others)
        and not any(read[at].timed for at in others if at < heads[0])
        and all(
            any(read[at].timed or read[at].mark for at in others if start < at < stop)
            for start, stop in zip(heads, [*heads[1:], len(texts)], strict=True)
        )
    )
