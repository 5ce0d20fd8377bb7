"""What only the person knows about a list: lines that may be several tracks, or none.

Nothing is changed here; each line is told once, with what to write if it was meant otherwise. A title said outright, in quotes
or on an indented line, is meant.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from sidekeep.shelf.sleeve.parts.words import SIDE_WORDS
from sidekeep.shelf.sleeve.people import Draft

_SEVERAL = re.compile(r"\S(?:\s+[/|\u2014\u2013]\s+|;\s+|\s*[\u2022\u00b7]\s*)\S")
_NEXT_NUMBER = re.compile(r"\s2[.)]?\s+\S")
_PART = re.compile(r"^(?:[a-z][.)]|[ivx]{1,4}[.)])\s+\S")
_FEW = 4
"""A quarter of the tracks: so few have a time on no sleeve (chosen here)."""
_TIME_BEFORE = re.compile(r"^(?:[A-H]?[0-9]{1,2}[.):]?\s+)?[0-9]{1,2}:[0-9]{2}\s")
_TIME_OF_DAY = re.compile(
    r"\s(?:at|to|of|past|before|after|until|till|from|by|around|um|bis|nach|vor|\u00e0|vers|alle|las)\s[0-9]{1,2}[:.][0-9]{2}$",
    re.IGNORECASE,
)
_BARE_TIME = re.compile(r"(?:^|\s)[0-9]{1,2}[:.][0-9]{2}(?:\s|$)")
_SIDE_WORD = re.compile(rf"(?<!\w)(?:{SIDE_WORDS})(?!\w)", re.IGNORECASE)


def ask(sides: Mapping[str, Sequence[Draft]]) -> None:
    """Tell every line that may be several tracks or none."""
    for drafts in sides.values():
        if len(drafts) == 1 and not _is_outright(drafts[0]) and _may_be_several(drafts[0]):
            drafts[0].line.doubt(
                "several-perhaps",
                "its one title may be several: if it is, put each track on a line of its own; if not, put it in quotes",
            )
    every = [draft for drafts in sides.values() for draft in drafts]
    timed = [draft for draft in every if draft.printed.timed]
    if 0 < len(timed) < len(every):
        _ask_for_times_in_titles(timed, few=_FEW * len(timed) <= len(every))
    if len(timed) < max(2, len(every) / 2):
        return
    for draft in every:
        if not draft.printed.timed and not _is_outright(draft) and (what := _unlike(draft, timed)):
            draft.line.doubt(
                "no-track-perhaps",
                f"it has no time, and {what}: if it is no track, leave it out; if it is one, put its title in quotes",
            )


def _ask_for_times_in_titles(timed: Sequence[Draft], *, few: bool) -> None:
    """A sleeve prints times for all its tracks, or for none: among tracks without one it may be part of a title, as in ``The Boat
    at 4:10`` and ``10:15 to Osprook``."""
    first = [draft for draft in timed if _TIME_BEFORE.match(draft.line.text)]
    for draft in timed:
        odd = (
            few
            or _TIME_OF_DAY.search(draft.line.text)
            or (draft in first and len(first) < len(timed) >= 2 * len(first))
        )
        if odd and not _is_outright(draft) and _BARE_TIME.search(draft.line.text):
            draft.line.doubt(
                "title-perhaps",
                "a time was read on this line, and others have none: if it belongs to the title, put that in quotes",
            )


def _is_outright(draft: Draft) -> bool:
    return draft.printed.literal or "title" in draft.attributes


def _may_be_several(draft: Draft) -> bool:
    """A mark and a time are said of one track; without them nothing says where it ends."""
    if draft.printed.timed:
        return False
    if draft.printed.mark:
        return draft.printed.number == 1 and _NEXT_NUMBER.search(draft.title) is not None
    return _SEVERAL.search(draft.title) is not None


def _unlike(draft: Draft, timed: Sequence[Draft]) -> str:
    """In which way a line without a time is unlike those that have one."""
    printed = draft.printed
    if _PART.match(printed.body):
        return "looks like a part of the track before it"
    if printed.body.startswith("(") and printed.body.endswith(")"):
        return "stands in brackets"
    if _SIDE_WORD.search(printed.body):
        return "looks like the heading of a side"
    if printed.is_indented and not any(other.printed.is_indented for other in timed):
        return "stands further in than the others"
    if printed.bullet and not any(other.printed.bullet for other in timed):
        return "has a sign before it that the others lack"
    if not printed.mark and all(other.printed.mark for other in timed):
        return "no mark as the others have"
    if printed.mark and not any(other.printed.mark for other in timed):
        return "has a mark that the others lack"
    return ""
