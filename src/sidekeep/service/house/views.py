"""What a page is shown of a record, a take and a sleeve text: plain values, ready for JSON.

Frames are at the take's own rate. Findings and doubts carry a code and facts beside their sentence.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from sidekeep.copies.kept.manifest import MANIFEST_NAME, read_manifest
from sidekeep.copies.run.successors import REPORT_NAME
from sidekeep.errors import CopyError, ShelfError, SidekeepError
from sidekeep.flow.passes.contract import survey_object
from sidekeep.flow.passes.edges import render_spans
from sidekeep.flow.passes.survey import Survey
from sidekeep.model.cuts import Cuts, SideCuts
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import EdgeSettings
from sidekeep.model.record import Record
from sidekeep.model.repair import Repair
from sidekeep.service.comparing.reminder import standing_reminder
from sidekeep.service.house.doubts import findings_of_side, findings_view, unsure_view, with_own
from sidekeep.service.house.library import FoundTake, Library
from sidekeep.service.house.pictures import cover_colour
from sidekeep.service.house.takes import OpenTake, OpenTakes
from sidekeep.service.shelf.pictures import kept_pictures
from sidekeep.shelf.choices.choice_files import RECIPE
from sidekeep.shelf.choices.choices import Choices, read_choices
from sidekeep.shelf.index.catalogue import Entry
from sidekeep.shelf.kept_survey import kept_conclusions, newest_key
from sidekeep.shelf.record_folder import RecordFolder, ShelfTake
from sidekeep.units import MINIMUM_DB, gain_to_db, power_to_db

ENVELOPE_POINTS = 6000
NEXT_STEPS = {
    "planned": "take",
    "partly taken": "take",
    "taken": "survey",
    "cut": "copies",
    "copied": "verify",
    "verified": "done",
}


def summary_view(library: Library, entry: Entry) -> dict[str, Any]:
    """One record of the list."""
    folder = RecordFolder(library.shelf / entry.folder)
    takes = folder.takes()
    record = folder.record()
    chosen = {letter: take for take in folder.chosen_takes() for letter in take.side}
    names = list(dict.fromkeys([*(side.name for side in record.sides), *chosen]))
    state = folder.state()
    choices = read_choices(folder.path)
    cuts = kept_cuts(folder, choices)
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
            mine = cuts[1] if cuts else next((side for side in known[0].sides if side.side == name), None)
            if mine is not None:
                own = findings_of_side(mine, with_own(known[0].sides, mine), known[1])
                unsure = len(unsure_view(mine, own, take.rate_hz, take.sha256, choices.seen))
    return {
        "side": name,
        "state": state,
        "length_s": take.length_s if take else None,
        "printed_s": sum(track.duration_s or 0.0 for track in printed.tracks) or None if printed else None,
        "track_count": len(printed.tracks) if printed else 0,
        "unsure_count": unsure,
    }


@lru_cache(maxsize=2000)
def _conclusions(take_folder: Path, key: str) -> tuple[Cuts, tuple[Finding, ...]] | None:
    """What a kept survey says in words; nothing changes what stands under a key."""
    return kept_conclusions(take_folder, key)


def record_view(library: Library, takes: OpenTakes, entry: Entry) -> dict[str, Any]:
    """Everything about one record but its sound."""
    folder = RecordFolder(library.shelf / entry.folder)
    record = folder.record()
    found = library.takes(entry.record_id)
    chosen = {take.folder for take in folder.chosen_takes()}
    choices = read_choices(folder.path)
    cuts = kept_cuts(folder, choices)
    return {
        **summary_view(library, entry),
        "sleeve_text": _sleeve_text(folder),
        "sleeve": sleeve_view(record),
        "pictures": [picture.view() for picture in kept_pictures(folder)],
        "takes": [take_view(each, is_chosen=each.take.folder in chosen) for each in found],
        "binned": [take_view(each, is_chosen=False) for each in library.binned(entry.record_id)],
        "sides": [
            _side_view(record, name, found, chosen, cuts, takes, choices.seen)
            for name in dict.fromkeys(
                [
                    *(side.name for side in record.sides),
                    *(letter for each in found for letter in each.take.side),
                ]
            )
        ],
        "recipe": recipe_view(folder),
        "copies": copies_view(folder),
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


def take_view(found: FoundTake, *, is_chosen: bool) -> dict[str, Any]:
    """The facts of one take."""
    take = found.take
    return {
        "id": found.take_id,
        "sha16": take.sha256[:16],
        "side": take.side,
        "number": take.number,
        "rate_hz": take.rate_hz,
        "channels": take.channels,
        "bits": take.bits,
        "is_float": take.is_float,
        "length_frames": take.length_frames,
        "length_s": take.length_s,
        "size_bytes": sum(file.size_bytes for file in take.files),
        "taken_utc": take.taken_utc,
        "how": take.how,
        "stylus": take.stylus,
        "input_name": take.input_name,
        "original_name": take.original_name,
        "problems": list(take.problems),
        "chosen": is_chosen,
        "surveyed": newest_key(found.path) is not None,
    }


def kept_cuts(folder: RecordFolder, choices: Choices | None = None) -> dict[str, tuple[int, SideCuts]]:
    """The cuts that count by side: rate and places. Files that cannot be read count as none."""
    try:
        chosen, choices = folder.choose_takes(), choices or read_choices(folder.path)
    except SidekeepError:
        return {}
    return {
        side.side: (take.rate_hz, side)
        for take in chosen.takes
        for side in choices.cuts_of(take.sha256)
        if chosen.owners.get(side.side) == take.folder
    }


def _side_view(
    record: Record,
    name: str,
    found: Sequence[FoundTake],
    chosen: set[str],
    cuts: dict[str, tuple[int, SideCuts]],
    takes: OpenTakes,
    seen: Mapping[str, str],
) -> dict[str, Any]:
    own = [each for each in found if name in each.take.side]
    current = next((each for each in own if each.take.folder in chosen), None)
    printed = record.side(name)
    view: dict[str, Any] = {
        "side": name,
        "chosen_take": current.take_id if current else None,
        "take_ids": [each.take_id for each in own],
        "printed": [asdict(track) for track in printed.tracks] if printed else [],
        "cuts": None,
        "unsure": [],
    }
    if current is not None:
        opened = takes.get(current.take_id)
        side = side_cuts(opened, name, cuts)
        if side is not None:
            view["cuts"] = cuts_view(side, opened)
            survey = opened.survey()
            sides = [each for letter in current.take.side if (each := side_cuts(opened, letter, cuts))]
            found_there = findings_of_side(side, sides, survey.findings if survey else ())
            view["unsure"] = unsure_view(side, found_there, opened.rate_hz, current.take.sha256, seen)
    return view


def side_cuts(opened: OpenTake, name: str, cuts: dict[str, tuple[int, SideCuts]]) -> SideCuts | None:
    """The cuts of a side on a take: the person's at the take's rate, else those the survey proposed."""
    mine = cuts.get(name)
    if mine is not None and mine[0] == opened.rate_hz:
        return mine[1]
    survey = opened.survey()
    return next((side for side in survey.cuts.sides if side.side == name), None) if survey else None


def cuts_view(side: SideCuts, opened: OpenTake) -> dict[str, Any]:
    """Places of a side and its tracks, in frames of the take; ``length_frames`` of a track is that of its copies."""
    values = asdict(side)
    spans = render_spans(
        side, EdgeSettings(), rate_hz=opened.rate_hz, length_frames=opened.source.format.length_frames
    )
    values["tracks"] = [{**asdict(span.track), "length_frames": span.length_frames} for span in spans]
    return values


def take_page_view(opened: OpenTake, is_chosen: bool) -> dict[str, Any]:
    """What the Side place draws of a take before any sound is asked for."""
    folder = opened.found.folder
    choices = read_choices(folder.path)
    cuts = kept_cuts(folder, choices)
    survey = opened.survey()
    view: dict[str, Any] = {
        "take": take_view(opened.found, is_chosen=is_chosen),
        "record": opened.found.record_id,
        "revision": choices.revision,
        "rate_hz": opened.rate_hz,
        "length_frames": opened.source.format.length_frames,
        "channels": opened.source.format.channels,
        "bits": opened.source.format.bits,
        "surveyed": survey is not None,
        "sides": [],
        "unsure": [],
        "problems": findings_view(opened.source.problems, opened.rate_hz),
        "envelope": envelope_view(opened),
    }
    sides = [side for name in opened.found.take.side if (side := side_cuts(opened, name, cuts)) is not None]
    findings = survey.findings if survey else ()
    lines = []
    for side in sides:
        own = findings_of_side(side, sides, findings)
        view["sides"].append(cuts_view(side, opened))
        view["unsure"] += unsure_view(side, own, opened.rate_hz, opened.found.take.sha256, choices.seen)
        lines += [{**line, "side": side.side} for line in findings_view(own, opened.rate_hz)]
    if survey is None:
        return view
    known = survey_object(survey)
    turn = known["turn"]
    return {
        **view,
        "proposed": [cuts_view(side, opened) for side in survey.cuts.sides],
        "findings": lines if sides else findings_view(findings, opened.rate_hz),
        "level": known["level"],
        "noise": known["noise"],
        "clicks": known["clicks"],
        "turn": {**turn, "period_frames": turn["period_s"] * opened.rate_hz, "origin_frame": _origin(survey)},
        "repairs_count": len(survey.repairs),
    }


def envelope_view(opened: OpenTake) -> dict[str, Any]:
    """Loudness (rms, decibels to full scale) and peaks of a few thousand equal parts of the take."""
    peaks = opened.peaks()
    level = next((at for at, buckets in enumerate(peaks.levels) if len(buckets) <= ENVELOPE_POINTS), -1)
    values = peaks.levels[level].astype(np.float64)
    bin_frames = peaks.bucket_frames(level % len(peaks.levels))
    frames = np.full(len(values), bin_frames)
    frames[-1:] = peaks.length_frames - bin_frames * (len(values) - 1)
    powers = values[..., 2].mean(axis=1) / np.maximum(frames, 1)
    highest = np.abs(values[..., :2]).max(axis=(1, 2), initial=0.0)
    return {
        "bin_frames": bin_frames,
        "db": [_db(power_to_db(value)) for value in powers.tolist()],
        "peak_db": [_db(gain_to_db(value)) for value in highest.tolist()],
    }


def damage_view(opened: OpenTake) -> dict[str, Any]:
    """Every repair in a few numbers: ``[id, start, stop, channel, kind, size_db, angle, left]``."""
    survey = opened.survey()
    if survey is None:
        return {"surveyed": False, "fields": _REPAIR_FIELDS, "repairs": []}
    period = survey.turn.period_s * opened.rate_hz
    origin = _origin(survey)
    left = opened.left()
    return {
        "surveyed": True,
        "fields": _REPAIR_FIELDS,
        "repairs": [
            _repair_row(repair, origin, period, index in left) for index, repair in enumerate(survey.repairs)
        ],
    }


_REPAIR_FIELDS = ["id", "start_frame", "stop_frame", "channel", "kind", "size_db", "angle", "left"]


def _repair_row(repair: Repair, origin: int, period: float, is_left: bool) -> list[Any]:
    angle = round(((repair.start_frame - origin) / period) % 1.0, 5) if period > 0.0 else None
    return [
        repair.id,
        repair.start_frame,
        repair.stop_frame,
        repair.channel,
        repair.kind,
        _number(repair.size_db),
        angle,
        is_left,
    ]


def _origin(survey: Survey) -> int:
    """Where angle 0 is counted from: the needle's touch."""
    return survey.cuts.sides[0].needle_down_frame if survey.cuts.sides else 0


def recipe_view(folder: RecordFolder) -> dict[str, Any] | None:
    """The kept recipe, or None while there is none."""
    if not (folder.path / RECIPE).exists():
        return None
    return asdict(read_choices(folder.path).recipe)


def copies_view(folder: RecordFolder) -> list[dict[str, Any]]:
    """The folders of finished copies: one for every manifest."""
    found = []
    for manifest in sorted((folder.path / "copies").rglob(MANIFEST_NAME)):
        try:
            listed = list(read_manifest(manifest.parent))
        except CopyError:
            listed = []
        kinds: dict[str, int] = {}
        for path in listed:
            first, slash, _ = path.partition("/")
            if slash:
                kinds[first] = kinds.get(first, 0) + 1
        found.append(
            {
                "name": manifest.parent.name,
                "kinds": [{"kind": kind, "files": count} for kind, count in kinds.items()],
                "files": len(listed),
                "size_bytes": _total_bytes(manifest.parent / path for path in listed),
                "written_utc": int(manifest.stat().st_mtime),
                "has_report": REPORT_NAME in listed,
            }
        )
    return found


def _total_bytes(paths: Iterable[Path]) -> int:
    total = 0
    for path in paths:
        try:
            total += path.stat().st_size
        except OSError:
            continue
    return total


def _sleeve_text(folder: RecordFolder) -> str:
    try:
        return folder.sleeve_text()
    except (FileNotFoundError, ShelfError):
        return ""


def _number(value: float) -> float:
    return round(float(value), 3) if math.isfinite(value) else MINIMUM_DB


def _db(value: float) -> float:
    return round(float(value), 1) if math.isfinite(value) else MINIMUM_DB
