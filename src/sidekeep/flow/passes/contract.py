"""The scripting contract as plain objects: what ``--json`` prints. Fields may be added, never renamed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from sidekeep.model.cuts import SideCuts
from sidekeep.model.finding import Finding
from sidekeep.model.repair import Repair
from sidekeep.units import MINIMUM_DB, frames_to_seconds
from sidekeep.wording.findings import finding_text

if TYPE_CHECKING:
    from sidekeep.flow.passes.survey import Survey

SCHEMA = 1
"""Raise it when a field changes its meaning; fields that are added leave it."""


def _number(value: float, digits: int) -> float:
    """JSON has no infinity; silence reads the floor."""
    return round(value, digits) if math.isfinite(value) else MINIMUM_DB


def survey_object(survey: Survey) -> dict[str, Any]:
    """The object of ``survey --json``."""
    rate_hz = survey.format.rate_hz
    return {
        "schema": SCHEMA,
        "file": survey.file,
        "rate_hz": rate_hz,
        "channels": survey.format.channels,
        "bits": survey.format.bits,
        "length_frames": survey.format.length_frames,
        "sides": [_side_object(side, rate_hz) for side in survey.cuts.sides],
        "level": {
            "sample_peak_dbfs": _number(survey.level.sample_peak_dbfs, 3),
            "true_peak_dbtp": _number(survey.level.true_peak_dbtp, 3),
            "integrated_lufs": _number(survey.level.integrated_lufs, 3),
            "range_lu": _number(survey.level.range_lu, 2),
            "clipped_frames": survey.level.clipped_frames,
            "dc": [_number(value, 7) for value in survey.level.dc],
            "balance_db": _number(survey.level.balance_db, 3),
        },
        "noise": {
            "groove_dbfs": _number(survey.noise.groove_dbfs, 2),
            "hum_hz": _number(survey.noise.hum_hz, 3),
            "hum_dbfs": _number(survey.noise.hum_dbfs, 2),
            "rumble_dbfs": _number(survey.noise.rumble_dbfs, 2),
        },
        "clicks": {
            "count": survey.clicks.count,
            "per_min": _number(survey.clicks.per_min, 3),
            "share_of_samples": _number(survey.clicks.share_of_samples, 8),
        },
        "turn": {
            "rpm": _number(survey.turn.rpm, 5),
            "period_s": _number(survey.turn.period_s, 8),
            "sd_ppm": _number(survey.turn.sd_ppm, 2),
            "from": survey.turn.source,
        },
        "findings": [finding_object(finding, rate_hz) for finding in survey.findings],
    }


def _side_object(side: SideCuts, rate_hz: int) -> dict[str, Any]:
    def seconds(frame: int) -> float:
        return round(frames_to_seconds(frame, rate_hz), 6)

    return {
        "side": side.side,
        "needle_down_s": seconds(side.needle_down_frame),
        "needle_up_s": seconds(side.needle_up_frame),
        "music_start_s": seconds(side.music_start_frame),
        "music_stop_s": seconds(side.music_stop_frame),
        "likely_side": side.likely_side,
        "tracks": [
            {
                "number": track.number,
                "title": track.title,
                "line": track.line,
                "title_confidence": round(track.title_confidence, 3),
                "artist": track.artist,
                "start_s": seconds(track.start_frame),
                "stop_s": seconds(track.stop_frame),
                "start_frame": track.start_frame,
                "stop_frame": track.stop_frame,
                "confidence": round(track.confidence, 3),
                "boundary": track.boundary,
            }
            for track in side.tracks
        ],
    }


def finding_object(finding: Finding, rate_hz: int) -> dict[str, Any]:
    """One finding; times in seconds."""
    return {
        "kind": finding.kind,
        "start_s": round(frames_to_seconds(finding.start_frame, rate_hz), 6),
        "stop_s": round(frames_to_seconds(finding.stop_frame, rate_hz), 6),
        "channel": finding.channel,
        "severity": finding.severity,
        "text": finding_text(finding, rate_hz),
        "facts": facts_object(finding),
        "evidence": {name: _number(value, 6) for name, value in finding.numbers().items()},
    }


def facts_object(finding: Finding) -> dict[str, Any]:
    """The facts of a finding as JSON holds them."""
    return {
        name: _number(value, 6)
        if isinstance(value, float)
        else list(value)
        if isinstance(value, tuple)
        else value
        for name, value in finding.facts.items()
    }


def repair_object(repair: Repair) -> dict[str, Any]:
    """One repair of ``mend --json``; half-open frames at the file's own rate."""
    return {
        "start_frame": repair.start_frame,
        "stop_frame": repair.stop_frame,
        "channel": repair.channel,
        "kind": repair.kind,
        "size_db": _number(repair.size_db, 2),
    }
