"""The master of a record: the untouched takes and all that is known about them, for the bag."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sidekeep.copies.master.build import MasterPlan, MasterTake
from sidekeep.copies.report.page import render_report
from sidekeep.files.bext import Bext, history_line
from sidekeep.model.recipe import Recipe
from sidekeep.model.record import Record
from sidekeep.service.report_view import report_data
from sidekeep.shelf.cuts_file import write_cuts
from sidekeep.shelf.recipe_file import write_recipe
from sidekeep.shelf.sleeve.writing import write_sleeve

if TYPE_CHECKING:
    from sidekeep.service.transferred import SurveyedTake, TransferResult


def master_plan(found: TransferResult, recipe: Recipe, picture: bytes | None) -> MasterPlan:
    """What goes into the bag. The report in it tells of the takes, not of copies, and no date: the same
    takes make the same bag."""
    record = found.record
    report = render_report(report_data(found, picture, None))
    documents = {
        "report.html": report.encode(),
        "sleeve.txt": write_sleeve(record).encode(),
        "recipe.toml": write_recipe(recipe).encode(),
    }
    places: list[MasterTake] = []
    for take in found.takes:
        letters = "".join(side.side for side in take.survey.cuts.sides) or "A"
        documents[f"cuts {letters}.toml"] = write_cuts(take.survey.cuts).encode()
        for index, (path, sha256) in enumerate(zip(take.files.paths, take.sha256, strict=True)):
            piece = f" part {index + 1}" if len(take.files.paths) > 1 else ""
            name = f"side {letters}{piece}"
            places.append(MasterTake(path=path, name=name, sha256=sha256, bext=_bext(take, record, name)))
    description = " - ".join(text for text in (record.artist, record.title) if text)
    return MasterPlan(
        takes=tuple(places), documents=documents, info={"External-Description": description or "A record"}
    )


def _bext(take: SurveyedTake, record: Record, name: str) -> Bext:
    form = take.source.format
    words = " - ".join(text for text in (record.artist, record.title, name) if text)
    mode = "stereo" if form.channels == 2 else "mono"
    return Bext(
        description=words,
        originator="sidekeep",
        coding_history=history_line("ANALOGUE", mode=mode)
        + history_line("PCM", rate_hz=form.rate_hz, bits=form.bits, mode=mode),
    )
