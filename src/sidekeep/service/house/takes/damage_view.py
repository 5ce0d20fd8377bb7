"""Every repair of a take in a few numbers, for the picture of the disc and the strip."""

from __future__ import annotations

import math
from typing import Any

from sidekeep.flow.passes.survey import Survey
from sidekeep.model.repair import Repair
from sidekeep.service.house.takes.held_takes import HeldTake
from sidekeep.units import MINIMUM_DB


def damage_view(opened: HeldTake) -> dict[str, Any]:
    """Every repair in a few numbers: ``[id, start, stop, channel, kind, size_db, angle, left, in_doubt]``."""
    survey = opened.survey()
    if survey is None:
        return {"surveyed": False, "fields": _REPAIR_FIELDS, "repairs": []}
    period = survey.turn.period_s * opened.rate_hz
    origin = angle_origin(survey)
    left = opened.left()
    return {
        "surveyed": True,
        "fields": _REPAIR_FIELDS,
        "repairs": [
            _repair_row(repair, origin, period, index in left) for index, repair in enumerate(survey.repairs)
        ],
    }


_REPAIR_FIELDS = [
    "id",
    "start_frame",
    "stop_frame",
    "channel",
    "kind",
    "size_db",
    "angle",
    "left",
    "in_doubt",
]


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
        repair.in_doubt,
    ]


def angle_origin(survey: Survey) -> int:
    """Where angle 0 is counted from: the needle's touch."""
    return survey.cuts.sides[0].needle_down_frame if survey.cuts.sides else 0


def _number(value: float) -> float:
    return round(float(value), 3) if math.isfinite(value) else MINIMUM_DB
