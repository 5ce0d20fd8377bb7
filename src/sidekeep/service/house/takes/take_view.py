"""What a page is shown of one take before any sound is asked for: plain values, ready for JSON.

Frames are at the take's own rate. Findings and doubts carry a code and facts beside their sentence.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sidekeep.flow.passes.contract import survey_object
from sidekeep.service.choices.repairs import open_findings
from sidekeep.service.house.library import FoundTake
from sidekeep.service.house.takes.cuts_view import cuts_view, kept_cuts, side_cuts, sides_on
from sidekeep.service.house.takes.damage_view import angle_origin
from sidekeep.service.house.takes.doubts import findings_of_side, findings_view, unsure_view
from sidekeep.service.house.takes.held_takes import HeldTake
from sidekeep.shelf.choices.choices import read_choices
from sidekeep.shelf.surveys.kept_survey import newest_key
from sidekeep.units import MINIMUM_DB, gain_to_db, power_to_db

ENVELOPE_POINTS = 6000


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


def take_page_view(opened: HeldTake, is_chosen: bool) -> dict[str, Any]:
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
        "findings": findings_view(opened.told(), opened.rate_hz),
        "envelope": envelope_view(opened),
    }
    sides = sides_on(opened, cuts)
    findings = open_findings(survey.findings, survey.repairs, opened.left()) if survey else ()
    lines = []
    for side in sides:
        own = findings_of_side(side, sides, findings)
        if side_cuts(opened, side.side, cuts) is not None:
            view["sides"].append(cuts_view(side, opened))
        view["unsure"] += unsure_view(side, own, opened.found.take, choices)
        lines += [{**line, "side": side.side} for line in findings_view(own, opened.rate_hz)]
    if survey is None:
        return view
    known = survey_object(survey)
    turn = known["turn"]
    return {
        **view,
        "proposed": [cuts_view(side, opened) for side in survey.cuts.sides],
        "findings": lines,
        "level": known["level"],
        "noise": known["noise"],
        "clicks": known["clicks"],
        "turn": {
            **turn,
            "period_frames": turn["period_s"] * opened.rate_hz,
            "origin_frame": angle_origin(survey),
        },
        "repairs_count": len(survey.repairs),
    }


def envelope_view(opened: HeldTake) -> dict[str, Any]:
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


def _db(value: float) -> float:
    return round(float(value), 1) if math.isfinite(value) else MINIMUM_DB
