"""What the sleeve prints of sides that were listened to already: where their tracks were looked for went by it."""

from __future__ import annotations

from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.surveys.kept_survey import newest_key

Printed = dict[str, list[tuple[int, float | None]]]


def printed_of_heard_sides(folder: RecordFolder) -> Printed:
    """Number and printed seconds of the tracks of every side whose take was surveyed, by the side's letter."""
    heard = {
        letter
        for take in folder.chosen_takes()
        if newest_key(folder.path / take.folder) is not None
        for letter in take.side
    }
    sides = {side.name: side.tracks for side in folder.record().sides}
    return {letter: [(track.number, track.duration_s) for track in sides.get(letter, ())] for letter in heard}
