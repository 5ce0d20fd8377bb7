"""Whether the take that is used is the last of several pieces of its side."""

from __future__ import annotations

from collections.abc import Sequence

from sidekeep.model.news import News
from sidekeep.service.comparing.made_take import BETWEEN
from sidekeep.service.house.library import FoundTake


def pieces_of_side(
    letter: str, chosen: FoundTake | None, takes: Sequence[FoundTake], binned: Sequence[FoundTake]
) -> list[str]:
    """The ids of takes that seem to be one side, in the order they were played, the one in use last; nothing where it is
    whole, by what was told of it, or where they were put together already and that take is not in the bin. ``takes`` and
    ``binned`` are those of the record."""
    if chosen is None or chosen.take.side != letter or chosen.take.how == "combined":
        return []
    own = sorted(
        (each for each in [*takes, *binned] if each.take.side == letter and each.take.how != "combined"),
        key=lambda each: each.take.number,
    )
    row = [chosen]
    while (before := _before(row[0], own)) is not None:
        row.insert(0, before)
    names = BETWEEN.join(each.take.folder_name for each in row)
    made = any(each.take.how == "combined" and each.take.original_name == names for each in takes)
    return [] if len(row) == 1 or made else [each.take_id for each in row]


def _before(take: FoundTake, own: Sequence[FoundTake]) -> FoundTake | None:
    """The piece that a take goes on from: the one of the next lower number, where something told so."""
    earlier = [each for each in own if each.take.number < take.take.number]
    if not earlier:
        return None
    before = earlier[-1]
    is_aside = before.take.binned == "lifted"
    for note in take.take.notes:
        if note.code == "goes-on" or (is_aside and _begins_late(note, before.take.folder_name)):
            return before
    return None


def _begins_late(note: News, before: str) -> bool:
    """The beginning was put aside when the needle was lifted, or the needle was down already when the take began."""
    if note.code == "beginning-aside":
        return note.facts.get("aside") == before
    return note.code == "begun" and note.facts.get("joined") is True
