"""A side that was played at another speed than it was cut for: every track is longer, or shorter, than printed by the same share.

A record for 45 turns a minute played at 33 1/3 lasts 1.35 times as long. Speeds are those of IEC 60098
(33 1/3 and 45) and the 78.26 of shellac on 60 Hz mains (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sidekeep.model.cuts import SideCuts
from sidekeep.model.record import Side
from sidekeep.units import LP_RPM, SHELLAC_RPM, SINGLE_RPM

SPEEDS_RPM = (LP_RPM, SINGLE_RPM, SHELLAC_RPM[3])
"""One of shellac is enough: printed times do not tell those from each other."""
_NEAR_S = 2.5
_NEAR_SHARE = 0.02
"""Printed times are rounded, gaps belong to neither track, players are a percent off."""
_NEAR_ALONE = 0.01
"""One track alone may well be another version: it must fit better."""


@dataclass(frozen=True)
class WrongSpeed:
    """``times`` as long as printed; ``cut_rpm`` and ``played_rpm`` are the pair of speeds that does it."""

    times: float
    cut_rpm: float
    played_rpm: float


def wrong_speed(side: SideCuts, printed: Side, rate_hz: int) -> WrongSpeed | None:
    """The pair of speeds by which every track fits its printed time, in the order of the sleeve; None where they do not, or where
    no track is further from its time than chance has it."""
    times = [track.duration_s for track in printed.tracks]
    if len(times) != len(side.tracks) or not times or any(time is None or time <= 0.0 for time in times):
        return None
    heard = [(track.stop_frame - track.start_frame) / rate_hz for track in side.tracks]
    pairs = list(zip(heard, (float(time or 0.0) for time in times), strict=True))
    for cut in SPEEDS_RPM:
        for played in SPEEDS_RPM:
            if cut != played and _fits(pairs, cut / played):
                longer = math.fsum(heard) / math.fsum(time for _, time in pairs)
                return WrongSpeed(longer, cut, played)
    return None


def _fits(pairs: Sequence[tuple[float, float]], times: float) -> bool:
    share = _NEAR_SHARE if len(pairs) > 1 else _NEAR_ALONE
    return all(
        abs(heard - times * printed) <= _NEAR_S + share * times * printed for heard, printed in pairs
    ) and not all(abs(heard - printed) <= 2.0 * _NEAR_S + 2.0 * share * printed for heard, printed in pairs)
