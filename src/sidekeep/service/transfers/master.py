"""The master of a record: the untouched takes and all that is known about them, for the bag."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from sidekeep import __version__
from sidekeep.copies.master.build import MasterPlan, MasterTake
from sidekeep.copies.report.page import render_report
from sidekeep.files.pictures.artwork import Picture, picture_suffix
from sidekeep.files.wave.bext import Bext, history_line
from sidekeep.files.wave.ixml import ixml_document
from sidekeep.model.recipe import Recipe
from sidekeep.model.record import Record
from sidekeep.service.transfers.report_view import report_data
from sidekeep.shelf.choices.cuts_file import write_cuts
from sidekeep.shelf.choices.recipe_file import write_recipe
from sidekeep.shelf.sleeve.writing import write_sleeve

if TYPE_CHECKING:
    from sidekeep.service.transfers.transferred import SurveyedTake, TransferResult


def master_plan(
    found: TransferResult,
    recipe: Recipe,
    *,
    comment: str = "",
    sleeve_text: str = "",
    pictures: Sequence[Picture] = (),
    day: date | None = None,
) -> MasterPlan:
    """What goes into the bag. The report in it tells of the takes, not of copies, and no date: the same takes make the
    same bag, whatever the ``day`` it is packed on. ``comment`` tells of the chain, ``sleeve_text`` is as it was typed."""
    record = found.record
    front = next((picture.data for picture in pictures if picture.kind == "front"), None)
    documents = {
        "report.html": render_report(report_data(found, front, None)).encode(),
        "sleeve.txt": write_sleeve(record).encode(),
        "recipe.toml": write_recipe(recipe).encode(),
    }
    if sleeve_text:
        documents["sleeve as typed.txt"] = sleeve_text.encode("utf-8", "replace")
    places: list[MasterTake] = []
    for take in found.takes:
        letters = "".join(side.side for side in take.survey.cuts.sides) or "A"
        documents[f"cuts {letters}.toml"] = write_cuts(take.survey.cuts).encode()
        for index, (path, sha256) in enumerate(zip(take.files.paths, take.sha256, strict=True)):
            piece = f" part {index + 1}" if len(take.files.paths) > 1 else ""
            name = f"side {letters}{piece}"
            bext = _bext(take, record, name, comment)
            ixml = _ixml(take, record, name, bext, comment)
            places.append(MasterTake(path=path, name=name, sha256=sha256, bext=bext, ixml=ixml))
    scans = [picture for picture in pictures if picture.scan is not None and picture.scan.is_file()]
    return MasterPlan(
        takes=tuple(places),
        documents=documents,
        files={
            f"pictures/{picture.kind}{picture_suffix(picture.scan)}": picture.scan
            for picture in scans
            if picture.scan is not None
        },
        info=_bag_info(record, day, recipe.copies.owner),
    )


def _bag_info(record: Record, day: date | None, owner: str) -> dict[str, str]:
    """Lines as RFC 8493 section 2.2.2 names them, and the software (common practice, no source)."""
    description = " - ".join(text for text in (record.artist, record.title) if text)
    lines = {
        "Source-Organization": owner,
        "Bagging-Date": day.isoformat() if day else "",
        "External-Description": description or "A record",
        "External-Identifier": record.catalogue_number,
        "Bag-Software-Agent": f"sidekeep {__version__}",
    }
    return {name: value for name, value in lines.items() if value}


def _bext(take: SurveyedTake, record: Record, name: str, comment: str) -> Bext:
    form, level, origin = take.source.format, take.survey.level, take.origin
    words = " - ".join(text for text in (record.artist, record.title, name) if text)
    mode = "stereo" if form.channels == 2 else "mono"
    chain = "; ".join(text for text in ("turntable", origin.stylus, comment) if text)
    day, _, clock = origin.taken_utc.partition("T")
    return Bext(
        description=words,
        originator="sidekeep",
        origination_date=day,
        origination_time=clock[:8],
        loudness_lufs=_measured(level.integrated_lufs),
        loudness_range_lu=_measured(level.range_lu),
        max_true_peak_dbtp=_measured(level.true_peak_dbtp),
        coding_history=history_line("ANALOGUE", mode=mode, text=chain)
        + history_line(
            "PCM",
            rate_hz=form.rate_hz,
            bits=form.bits,
            mode=mode,
            text=origin.input_name or origin.original_name,
        ),
    )


def _measured(value: float) -> float | None:
    """What the chunk can hold; silence has no loudness."""
    return round(value, 2) if -100.0 < value < 100.0 else None


def _ixml(take: SurveyedTake, record: Record, name: str, bext: Bext, comment: str) -> bytes:
    form, origin = take.source.format, take.origin
    titles = [
        f"{side.side}{number} {track.title}".rstrip()
        for side in take.survey.cuts.sides
        for number, track in enumerate(side.tracks, start=1)
    ]
    return ixml_document(
        project=" - ".join(text for text in (record.artist, record.title) if text),
        tape=name,
        note="; ".join(titles),
        bext=bext,
        rate_hz=form.rate_hz,
        bits=form.bits,
        channels=form.channels,
        user={
            "ARTIST": record.artist,
            "TITLE": record.title,
            "YEAR": str(record.year or ""),
            "LABEL": record.label,
            "CATALOGUE_NUMBER": record.catalogue_number,
            "STYLUS": origin.stylus,
            "CHAIN": comment,
            "INPUT": origin.input_name,
            "ORIGINAL_FILE": origin.original_name,
            "TAKEN_UTC": origin.taken_utc,
        },
    )
