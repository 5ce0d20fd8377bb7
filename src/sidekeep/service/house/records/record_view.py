"""Everything a page is shown of one record but its sound: plain values, ready for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from sidekeep.errors import ShelfError
from sidekeep.model.cuts import SideCuts
from sidekeep.model.record import Record
from sidekeep.service.house.library import FoundTake, Library
from sidekeep.service.house.records.copies_view import copies_view
from sidekeep.service.house.records.side_pieces import pieces_of_side
from sidekeep.service.house.records.summary_view import summary_view
from sidekeep.service.house.takes.cuts_view import cuts_view, kept_cuts, side_cuts, sides_on
from sidekeep.service.house.takes.doubts import findings_of_side, unsure_view
from sidekeep.service.house.takes.held_takes import HeldTakes
from sidekeep.service.house.takes.take_view import take_view
from sidekeep.service.shelf.pictures import kept_pictures
from sidekeep.service.transfers.copies_room import usual_bytes
from sidekeep.shelf.choices.choice_files import RECIPE
from sidekeep.shelf.choices.choices import Choices, read_choices
from sidekeep.shelf.index.catalogue import Entry
from sidekeep.shelf.record_folder import RecordFolder


def record_view(library: Library, takes: HeldTakes, entry: Entry) -> dict[str, Any]:
    """Everything about one record but its sound."""
    folder = RecordFolder(library.shelf / entry.folder)
    record = folder.record()
    found = library.takes(entry.record_id)
    used = folder.chosen_takes()
    binned = library.binned(entry.record_id)
    chosen = {take.folder for take in used}
    choices = read_choices(folder.path)
    cuts = kept_cuts(folder, choices)
    return {
        **summary_view(library, entry, choices),
        "sleeve_text": _sleeve_text(folder),
        "sleeve": sleeve_view(record),
        "pictures": [picture.view() for picture in kept_pictures(folder)],
        "takes": [take_view(each, is_chosen=each.take.folder in chosen) for each in found],
        "binned": [take_view(each, is_chosen=False) for each in binned],
        "sides": [
            _side_view(record, name, found, binned, chosen, cuts, takes, choices)
            for name in dict.fromkeys(
                [
                    *(side.name for side in record.sides),
                    *(letter for each in found for letter in each.take.side),
                ]
            )
        ],
        "recipe": asdict(choices.recipe) if (folder.path / RECIPE).exists() else None,
        "copies": copies_view(folder),
        "copies_room": {
            "free_bytes": library.free_bytes(),
            "kinds": usual_bytes(used, choices.recipe.copies),
        },
        "last_check": folder.last_check(),
        "can_undo": choices.can_undo,
        "can_redo": choices.can_redo,
        "notes": str(folder.facts().get("notes", "")),
    }


def sleeve_view(record: Record) -> dict[str, Any]:
    """What the sleeve says, as it was understood."""
    values = asdict(record)
    values["notes"] = list(record.notes)
    return values


def _side_view(
    record: Record,
    name: str,
    found: Sequence[FoundTake],
    binned: Sequence[FoundTake],
    chosen: set[str],
    cuts: dict[str, tuple[int, SideCuts]],
    takes: HeldTakes,
    choices: Choices,
) -> dict[str, Any]:
    own = [each for each in found if name in each.take.side]
    current = next((each for each in own if each.take.folder in chosen), None)
    printed = record.side(name)
    view: dict[str, Any] = {
        "side": name,
        "chosen_take": current.take_id if current else None,
        "take_ids": [each.take_id for each in own],
        "pieces": pieces_of_side(name, current, found, binned),
        "printed": [asdict(track) for track in printed.tracks] if printed else [],
        "cuts": None,
        "unsure": [],
    }
    if current is not None:
        opened = takes.get(current.take_id)
        side = side_cuts(opened, name, cuts)
        survey = opened.survey()
        if side is not None:
            view["cuts"] = cuts_view(side, opened)
        sides = sides_on(opened, cuts)
        for mine in (each for each in sides if each.side == name):
            found_there = findings_of_side(mine, sides, survey.findings if survey else ())
            view["unsure"] = unsure_view(mine, found_there, current.take, choices)
    return view


def _sleeve_text(folder: RecordFolder) -> str:
    try:
        return folder.sleeve_text()
    except (FileNotFoundError, ShelfError):
        return ""
