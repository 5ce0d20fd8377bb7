"""The cuts of a take's sides as a page is shown them: the person's where there are any, else those the survey proposed.

Frames are at the take's own rate.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from sidekeep.errors import SidekeepError
from sidekeep.flow.passes.edges import render_spans
from sidekeep.model.cuts import SideCuts
from sidekeep.model.recipe import EdgeSettings
from sidekeep.service.choices.untouched import untouched_side
from sidekeep.service.house.takes.held_takes import HeldTake
from sidekeep.shelf.choices.choices import Choices, read_choices
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.take_choice import ChosenTakes


def kept_cuts(folder: RecordFolder, choices: Choices | None = None) -> dict[str, tuple[int, SideCuts]]:
    """The cuts that count by side: rate and places. Files that cannot be read count as none."""
    try:
        return cuts_by_side(folder.choose_takes(), choices or read_choices(folder.path))
    except SidekeepError:
        return {}


def cuts_by_side(chosen: ChosenTakes, choices: Choices) -> dict[str, tuple[int, SideCuts]]:
    """The same of choices that were read: of the takes that count."""
    return {
        side.side: (take.rate_hz, side)
        for take in chosen.takes
        for side in choices.cuts_of(take.sha256)
        if chosen.owners.get(side.side) == take.folder
    }


def side_cuts(opened: HeldTake, name: str, cuts: dict[str, tuple[int, SideCuts]]) -> SideCuts | None:
    """The cuts of a side on a take: the person's at the take's rate, else those the survey proposed."""
    mine = cuts.get(name)
    if mine is not None and mine[0] == opened.rate_hz:
        return mine[1]
    survey = opened.survey()
    return next((side for side in survey.cuts.sides if side.side == name), None) if survey else None


def sides_on(opened: HeldTake, cuts: dict[str, tuple[int, SideCuts]]) -> list[SideCuts]:
    """All sides of a take: those that no music was found of are without tracks. None while the take is not surveyed."""
    found = [(name, side_cuts(opened, name, cuts)) for name in opened.found.take.side]
    if opened.survey() is None:
        return [side for _, side in found if side is not None]
    return [side or untouched_side(name, opened.found.take) for name, side in found]


def cuts_view(side: SideCuts, opened: HeldTake) -> dict[str, Any]:
    """Places of a side and its tracks, in frames of the take; ``length_frames`` of a track is that of its copies."""
    values = asdict(side)
    spans = render_spans(
        side, EdgeSettings(), rate_hz=opened.rate_hz, length_frames=opened.source.format.length_frames
    )
    values["tracks"] = [{**asdict(span.track), "length_frames": span.length_frames} for span in spans]
    return values
