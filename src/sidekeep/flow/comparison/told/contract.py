"""The object of ``compare --json``. Fields may be added, never renamed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.differences.bands import THIRDS
from sidekeep.flow.comparison.differences.mixing import MixingChange
from sidekeep.flow.comparison.differences.noise import NoiseChange
from sidekeep.flow.comparison.marks.marks import Mark
from sidekeep.flow.passes.contract import finding_object
from sidekeep.model.finding import Finding
from sidekeep.wording.findings import told

SCHEMA = 1
"""Raise it when a field changes its meaning; fields that are added leave it."""
PARTS = ("all", *THIRDS)


def comparison_object(comparison: Comparison, findings: list[Finding], old: str, new: str) -> dict[str, Any]:
    """Everything measured, as plain values; numbers that are not known are null."""
    rate_hz = max(comparison.rate_hz, 1)
    idle = comparison.idle
    return {
        "schema": SCHEMA,
        "old": old,
        "new": new,
        "same": comparison.alignment.is_same,
        "alignment": _alignment(comparison, rate_hz),
        "marks": _marks(comparison),
        "bands": _bands(comparison),
        "level": [_level(comparison, part) for part in PARTS],
        "noise": {
            kind: {
                **_noise(whole),
                "parts": [{"part": part, **_noise(comparison.noise_of(kind, part))} for part in THIRDS],
            }
            for kind in ("groove", "rumble", "hum")
            if (whole := comparison.noise_of(kind)) is not None
        },
        "idle_noise": {
            name: None if dbfs is None else _number(dbfs, 2)
            for name, dbfs in (("old_dbfs", idle.old_dbfs), ("new_dbfs", idle.new_dbfs))
        },
        "distortion": _distortion(comparison),
        "crosstalk": None
        if (whole_mixing := comparison.mixing_of()) is None
        else {
            **_mixing(whole_mixing),
            "parts": [{"part": part, **_mixing(comparison.mixing_of(part))} for part in THIRDS],
        },
        "turn": {"period_s": _number(comparison.turn.period_s, 8), "from": comparison.turn.source},
        "findings": [finding_object(finding, rate_hz) for finding in findings],
        "lines": [
            {"kind": line.kind, "severity": line.severity, "text": line.text}
            for line in told(findings, rate_hz)
        ],
    }


def _alignment(comparison: Comparison, rate_hz: int) -> dict[str, Any]:
    alignment, line, speed = comparison.alignment, comparison.alignment.line, comparison.alignment.speed
    return {
        "offset_s": _number(line.offset_s * alignment.clock, 6),
        "speed_ratio": _number(comparison.speed_ratio * alignment.clock, 8),
        "rpm": None if speed is None else [round(speed.old_rpm, 3), round(speed.new_rpm, 3)],
        "sd_frames": _number(alignment.sd_s * rate_hz, 4) if alignment.curve else None,
        "share": _number(line.share, 3),
        "correlation": _number(line.correlation, 3),
        "polarity": "opposite" if alignment.sign < 0 else "same",
        "channels": "swapped" if alignment.is_swapped else "same",
        "compared": _number(comparison.covered, 4),
        "jumps": [
            {"at_s": _number(jump.at_s, 2), "length_s": _number(jump.length_s, 4)}
            for jump in comparison.jumps
        ],
    }


def _marks(comparison: Comparison) -> dict[str, Any]:
    return {
        "persisting": len(comparison.persisting_s),
        "perhaps": sum(mark.state == "perhaps" for mark in comparison.marks),
        **{
            state: [_mark(mark, comparison) for mark in comparison.marks if mark.state == state]
            for state in ("new", "gone")
        },
    }


def _distortion(comparison: Comparison) -> list[dict[str, Any]]:
    return [
        {
            "part": one.part,
            "channel": ("L", "R")[one.channel] if len(comparison.channels) > 1 else "both",
            "share": _number(one.share, 4),
            "detectable": _number(one.detectable, 4),
            "more_db": _number(one.more_db, 2),
        }
        for one in comparison.distortion
    ]


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _mark(mark: Mark, comparison: Comparison) -> dict[str, Any]:
    """``start_s`` in the take that has the mark."""
    curve = comparison.alignment.curve
    assert curve is not None
    at_s = mark.start_s
    if mark.state == "new":
        at_s = float(curve.at(np.array([at_s]))[0]) * comparison.alignment.clock
    return {
        "start_s": round(at_s, 6),
        "channel": mark.channel,
        "size_db": round(mark.size_db, 1),
        "angle_deg": None if mark.angle_deg is None else round(mark.angle_deg, 1),
        "scratch": mark.scratch,
        "sureness": round(mark.sureness, 1),
    }


def _level(comparison: Comparison, part: str) -> dict[str, Any]:
    sides = comparison.channels[:1] + comparison.channels[-1:]
    changes = [_number(comparison.level_change_db(channel, part), 3) for channel in sides]
    seen = [_number(comparison.level_detectable_db(channel, part), 3) for channel in sides]
    return {"part": part, **_left_right(changes, seen)}


def _left_right(changes: Sequence[float | None], seen: Sequence[float | None]) -> dict[str, float | None]:
    """The first and last of the channels: one channel stands for both sides."""
    return {
        "left_db": changes[0] if changes else None,
        "right_db": changes[-1] if changes else None,
        "left_detectable_db": seen[0] if seen else None,
        "right_detectable_db": seen[-1] if seen else None,
    }


def _noise(change: NoiseChange | None) -> dict[str, Any]:
    if change is None:
        nothing = ("old_dbfs", "new_dbfs", "change_db", "detectable_db")
        return {**dict.fromkeys(nothing), **_left_right([], [])}
    return {
        "old_dbfs": _number(change.old_dbfs, 2),
        "new_dbfs": _number(change.new_dbfs, 2),
        "change_db": _number(change.change_db, 2),
        "detectable_db": _number(change.detectable_db, 2),
        **_left_right(
            [_number(one.change_db, 2) for one in change.channels],
            [_number(one.detectable_db, 2) for one in change.channels],
        ),
    }


def _mixing(change: MixingChange | None) -> dict[str, Any]:
    ways = (None, None) if change is None else (change.left_to_right, change.right_to_left)
    leaks: dict[str, Any] = {"detectable_db": None if change is None else _number(change.detectable_db, 1)}
    for name, leak in zip(("left_to_right", "right_to_left"), ways, strict=True):
        leaks[f"{name}_db"] = None if leak is None else _number(leak.leak_db, 1)
        leaks[f"{name}_is_more"] = None if leak is None else leak.is_more
        leaks[f"{name}_detectable_db"] = None if leak is None else _number(leak.detectable_db, 1)
    return leaks


def _bands(comparison: Comparison) -> list[dict[str, Any]]:
    rows = []
    for part in PARTS:
        for hz in sorted({band.hz for band in comparison.bands}):
            sides = [band for band in comparison.bands if band.hz == hz and band.part == part]
            known = [band.detectable_db for band in sides if math.isfinite(band.detectable_db)]
            rows.append(
                {
                    "hz": round(hz, 1),
                    "part": part,
                    **_left_right(
                        [_number(band.change_db, 3) for band in sides],
                        [_number(band.detectable_db, 3) for band in sides],
                    ),
                    "detectable_db": _number(max(known), 3) if known else None,
                }
            )
    return rows
