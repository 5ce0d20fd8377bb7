"""One record as a line of the shelf: what it is, how far it has come, and what comes next."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

from sidekeep.errors import SidekeepError
from sidekeep.files.reading.reader import open_take
from sidekeep.model.cuts import Cuts, SideCuts
from sidekeep.model.finding import Finding
from sidekeep.model.record import Record
from sidekeep.service.choices.untouched import untouched_side
from sidekeep.service.comparing.reminder import standing_reminder
from sidekeep.service.house.library import Library
from sidekeep.service.house.records.thumbnails import cover_colour
from sidekeep.service.house.takes.cuts_view import cuts_by_side
from sidekeep.service.house.takes.doubts import findings_of_side, unsure_view
from sidekeep.service.shelf.pictures import kept_pictures
from sidekeep.service.take_findings import findings_of_notes
from sidekeep.shelf.choices.choices import Choices, read_choices
from sidekeep.shelf.index.catalogue import Entry
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.surveys.kept_survey import kept_conclusions, newest_key

NEXT_STEPS = {
    "planned": "take",
    "partly taken": "take",
    "taken": "survey",
    "cut": "copies",
    "copied": "verify",
    "verified": "done",
}


def summary_view(library: Library, entry: Entry, choices: Choices | None = None) -> dict[str, Any]:
    """One record of the list; ``choices`` are those that stand, where they were read already."""
    folder = RecordFolder(library.shelf / entry.folder)
    takes = folder.takes()
    record = folder.record()
    choice = folder.choose_takes()
    chosen = {letter: take for take in choice.takes for letter in take.side}
    names = list(dict.fromkeys([*(side.name for side in record.sides), *chosen]))
    state = folder.state()
    choices = choices or read_choices(folder.path, begin=False)
    cuts = cuts_by_side(choice, choices)
    sides = [_side_summary(folder, record, name, chosen.get(name), choices, cuts.get(name)) for name in names]
    return {
        "id": entry.record_id,
        "artist": record.artist,
        "title": record.title,
        "year": record.year,
        "label": record.label,
        "catalogue_number": record.catalogue_number,
        "genre": record.genre,
        "track_count": record.track_count,
        "state": state,
        "sides": sides,
        "unsure_count": sum(side["unsure_count"] for side in sides),
        "has_cover": any(picture.kind == "front" for picture in kept_pictures(folder)),
        "colour": cover_colour(folder),
        "added_utc": entry.added_utc,
        "last_taken": max((take.taken_utc for take in takes), default=None),
        "revision": choices.revision,
        "next_step": NEXT_STEPS[state],
        "play_again_after": standing_reminder(folder),
    }


def _side_summary(
    folder: RecordFolder,
    record: Record,
    name: str,
    take: ShelfTake | None,
    choices: Choices,
    cuts: tuple[int, SideCuts] | None,
) -> dict[str, Any]:
    printed = record.side(name)
    unsure = 0
    if take is None:
        state = "planned"
    else:
        place = folder.path / take.folder
        key = newest_key(place)
        state = "surveyed" if key is not None else "taken"
        if key is not None and (known := _conclusions(place, key)) is not None:
            found = {side.side: side for side in known[0].sides} | ({name: cuts[1]} if cuts else {})
            sides = [found.get(letter) or untouched_side(letter, take) for letter in take.side]
            mine = next(side for side in sides if side.side == name)
            own = findings_of_side(mine, sides, [*_told_of(place, take), *known[1]])
            unsure = len(unsure_view(mine, own, take, choices))
    return {
        "side": name,
        "state": state,
        "length_s": take.length_s if take else None,
        "printed_s": sum(track.duration_s or 0.0 for track in printed.tracks) or None if printed else None,
        "track_count": len(printed.tracks) if printed else 0,
        "unsure_count": unsure,
    }


def _told_of(place: Path, take: ShelfTake) -> list[Finding]:
    """What its files tell, and what was told while it was recorded. Only a take that was odd when it came is opened for it."""
    files = tuple(place / file.name for file in take.files) if take.problems else ()
    return [*_told_by(files, take.sha256), *findings_of_notes(take.notes)]


@lru_cache(maxsize=2000)
def _told_by(files: tuple[Path, ...], sha256: str) -> tuple[Finding, ...]:
    """What the header of files that stand under a checksum tells; a shelf is listed without those that cannot be opened."""
    try:
        return tuple(open_take(files).problems) if files else ()
    except SidekeepError:
        return ()


@lru_cache(maxsize=2000)
def _conclusions(take_folder: Path, key: str) -> tuple[Cuts, tuple[Finding, ...]] | None:
    """What a kept survey says in words; nothing changes what stands under a key."""
    return kept_conclusions(take_folder, key)
