"""Lines that name a side or a disc: ``Side One``, ``[FACE B]``, ``Disc 2 - Side A``."""

from __future__ import annotations

import re
from dataclasses import dataclass

from sidekeep.shelf.sleeve.parts.marks import side_letter
from sidekeep.shelf.sleeve.parts.quoting import unquote
from sidekeep.shelf.sleeve.parts.times import is_time
from sidekeep.shelf.sleeve.parts.words import DISC_WORDS, ORDINALS, SIDE_WORDS

_FRAME = re.compile(r"^[\s=*#_~|\[({<>\u2013\u2014-]+|[\s=*#_~|\])}<>:\u2013\u2014.-]+$")
_SIDE_FIRST = re.compile(
    rf"^(?:{SIDE_WORDS})(?:\s*[:#.\u2013-]\s*|\s+|(?=[0-9]))(?P<name>\"[^\"]*\"|[^\W_]+)(?P<rest>.*)$",
    re.IGNORECASE,
)
_SIDE_LAST = re.compile(
    rf"^(?P<name>[^\W_]+)(?:\s*[-.]\s*|\s+)(?:{SIDE_WORDS})(?P<rest>(?:\W.*)?)$", re.IGNORECASE
)
_SIDE_CJK = re.compile(r"^(?:第)?(?P<name>[A-Za-z\uff21-\uff28]|[0-9])\s?[面면](?P<rest>.*)$")
_DISC = re.compile(
    rf"^(?:{DISC_WORDS})(?:\s*[:#.]?\s*)(?P<name>[0-9]{{1,2}}|[^\W\d_]+)(?P<rest>(?:\W.*)?)$",
    re.IGNORECASE,
)


_GOES_ON = re.compile(
    r"\s*[-\u2013\u2014(\[,]?\s*(?:cont(?:['\u2019]?d|inued|inues)?|fortsetzung|forts|suite|seguito|continua)\.?\s*[)\]]?:?",
    re.IGNORECASE,
)
"""``Side A cont'd``: over the page."""
_ON_THE_LABEL = re.compile(
    r"[\s,;:/|()-]*(?:(?:stereo|mono|lp|ep|33(?:\s?1/3|\s?\u2153|[.,]3+)?|45|78|rpm|r\.p\.m\.?|u/min)[\s,;:/|()-]*)+",
    re.IGNORECASE,
)
"""What a label says beside the side: ``SIDE A  STEREO  33 1/3``."""


@dataclass(frozen=True, kw_only=True)
class Heading:
    """A side or disc heading. ``disc`` and ``side`` are 0 / empty when the line does not name them; ``extra`` is what
    else stands on the line. ``letter`` is set where a Roman number may be the letter of a later side: ``Side I``."""

    side: str = ""
    disc: int = 0
    extra: str = ""
    letter: str = ""


def read_heading(line: str) -> Heading | None:
    """The side or disc a heading line names, or None."""
    if '"' not in line:
        line = _FRAME.sub("", line)
    disc = 0
    match = _DISC.match(line)
    if match is not None:
        word = match["name"].casefold()
        disc = int(word) if word.isdecimal() else ORDINALS.get(word, 0)
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
            may_be_title = pattern is _SIDE_FIRST or match["name"].isdecimal()
            return _side_heading(name, match, disc, may_be_title=may_be_title)
    if disc:
        return Heading(disc=disc, extra="" if is_time(line) else line)
    return None


def _side_heading(name: str, match: re.Match[str], disc: int, *, may_be_title: bool) -> Heading | None:
    """The heading of the side of this name, as it was matched; None where what follows makes it the title of a track."""
    rest = match["rest"]
    if rest.strip() and (_ON_THE_LABEL.fullmatch(rest) or _GOES_ON.fullmatch(rest)):
        return Heading(side=name, disc=disc)
    if rest[:1].isalnum() or (may_be_title and _is_plain_sentence(rest)):
        return None
    extra = rest.strip(" :-\u2013\u2014()[].=*#\"'\u201c\u201d")
    letter = match["name"] if match["name"] in ("I", "V") else ""
    return Heading(side=name, disc=disc, extra="" if is_time(extra) else extra, letter=letter)


def _side_name(word: str) -> str:
    quoted = unquote(word) or ""
    if len(quoted) == 1 and quoted.isascii() and quoted.isalpha():
        return quoted.upper()
    word = quoted or word
    folded = word.casefold()
    if folded in ORDINALS and not (len(word) == 1 and word.isascii() and folded not in "iv"):
        return side_letter(ORDINALS[folded])
    if word.isdecimal():
        return side_letter(int(word)) if len(word) < 3 else ""
    if len(word) == 2 and word.isascii() and word.isalpha() and word[0].casefold() == word[1].casefold():
        return word.upper()
    if len(word) == 1:
        letter = chr(ord(word) - 0xFEE0) if "\uff21" <= word <= "\uff5a" else word
        return letter.upper() if letter.isascii() and letter.isalpha() else ""
    return ""


def _is_plain_sentence(rest: str) -> bool:
    """True when words follow a side name with nothing but a space between: a title, not a heading."""
    return bool(re.match(r"^\s+[^\W\d_]", rest))
