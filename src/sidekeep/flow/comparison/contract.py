"""The object of ``compare --json``. Fields may be added, never renamed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.marks import Mark
from sidekeep.flow.contract import finding_object
from sidekeep.model.finding import Finding

SCHEMA = 1


def comparison_object(comparison: Comparison, findings: list[Finding], old: str, new: str) -> dict[str, Any]:
    """Everything measured, as plain values; numbers that are not known are null."""
    curve = comparison.alignment.curve
    line = comparison.alignment.line
    rate_hz = max(comparison.rate_hz, 1)
    return {
        "schema": SCHEMA,
        "old": old,
        "new": new,
        "same": comparison.alignment.is_same,
        "alignment": {
            "offset_s": _number(line.offset_s, 6),
            "speed_ratio": _number(curve.speed_ratio if curve else line.speed_ratio, 8),
            "sd_frames": _number(comparison.alignment.sd_s * rate_hz, 4) if curve else None,
            "share": _number(line.share, 3),
            "correlation": _number(line.correlation, 3),
            "polarity": "opposite" if comparison.alignment.sign < 0 else "same",
            "channels": "swapped" if comparison.alignment.is_swapped else "same",
            "compared": _number(comparison.covered, 4),
        },
        "marks": {
            "persisting": len(comparison.persisting_s),
            **{
                state: [_mark(mark, comparison) for mark in comparison.marks if mark.state == state]
                for state in ("new", "gone")
            },
        },
        "bands": _bands(comparison),
        "noise": {
            change.kind: {
                "old_dbfs": _number(change.old_dbfs, 2),
                "new_dbfs": _number(change.new_dbfs, 2),
                "change_db": _number(change.change_db, 2),
                "detectable_db": _number(change.detectable_db, 2),
                "left_db": _number(change.channel_db[0], 2) if change.channel_db else None,
                "right_db": _number(change.channel_db[-1], 2) if change.channel_db else None,
            }
            for change in comparison.noise
        },
        "distortion": [
            {
                "part": one.part,
                "channel": ("L", "R")[one.channel] if len(comparison.channels) > 1 else "both",
                "share": _number(one.share, 4),
                "detectable": _number(one.detectable, 4),
                "more_db": _number(one.more_db, 2),
            }
            for one in comparison.distortion
        ],
        "crosstalk": None
        if comparison.mixing is None
        else {
            "left_to_right_db": _number(comparison.mixing.left_to_right_db, 1),
            "right_to_left_db": _number(comparison.mixing.right_to_left_db, 1),
            "detectable_db": _number(comparison.mixing.detectable_db, 1),
        },
        "turn": {"period_s": _number(comparison.turn.period_s, 8), "from": comparison.turn.source},
        "findings": [finding_object(finding, rate_hz) for finding in findings],
    }


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _mark(mark: Mark, comparison: Comparison) -> dict[str, Any]:
    """``start_s`` in the take that has the mark."""
    curve = comparison.alignment.curve
    assert curve is not None
    at_s = float(curve.at(np.array([mark.start_s]))[0]) if mark.state == "new" else mark.start_s
    return {
        "start_s": round(at_s, 6),
        "channel": mark.channel,
        "size_db": round(mark.size_db, 1),
        "angle_deg": None if mark.angle_deg is None else round(mark.angle_deg, 1),
        "scratch": mark.scratch,
        "sureness": round(mark.sureness, 1),
    }


def _bands(comparison: Comparison) -> list[dict[str, Any]]:
    rows = []
    for part in ("all", "outer", "middle", "inner"):
        for hz in sorted({band.hz for band in comparison.bands}):
            sides = [band for band in comparison.bands if band.hz == hz and band.part == part]
            known = [band.detectable_db for band in sides if math.isfinite(band.detectable_db)]
            rows.append(
                {
                    "hz": round(hz, 1),
                    "part": part,
                    "left_db": _number(sides[0].change_db, 3) if sides else None,
                    "right_db": _number(sides[-1].change_db, 3) if sides else None,
                    "detectable_db": _number(max(known), 3) if known else None,
                }
            )
    return rows
