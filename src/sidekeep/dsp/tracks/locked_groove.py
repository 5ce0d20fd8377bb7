"""The locked groove at the end of a side: the same tick at every turn.

Conventions: hops of a ``FeatureTable``. Looked for at the turn periods of records only (33 1/3, 45, 78 and 71 rpm, 3 % either
way), in the impulses after the music. Strength is the correlation of the impulses with themselves a turn later, 0 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sidekeep.dsp.tracks.features import FeatureTable
from sidekeep.dsp.tracks.needle import running_median
from sidekeep.units import LP_RPM, SHELLAC_RPM, SINGLE_RPM

TURN_PERIODS_S = (60.0 / LP_RPM, 60.0 / SINGLE_RPM, 60.0 / SHELLAC_RPM[3], 60.0 / SHELLAC_RPM[0])
"""33 1/3, 45, 78.26 and 71.29 rpm: the others of shellac lie within ``MOST_OFF`` of 78.26."""
MOST_OFF = 0.03
"""A player that is 3 % off is heard to be out of tune and set right (common practice, no source)."""
_LEAST_STRENGTH = 0.35
"""Of 1 for the same tick at every turn; dust between the ticks lowers it. By trial (as in ``boundaries``)."""
_TURNS = 3
"""Two alike could be chance."""


@dataclass(frozen=True)
class LockedGroove:
    """``start``: hop from which the tick returns at every turn."""

    start: int
    period_s: float
    strength: float


def find_locked_groove(table: FeatureTable, start: int, stop: int) -> LockedGroove | None:
    """The locked groove between two hops, or None. Needs three turns of it."""
    hop_s = table.hop_s
    tail = np.log(np.maximum(table.impulse[start:stop].astype(np.float64), 1.0))
    best: LockedGroove | None = None
    for period_s in TURN_PERIODS_S:
        lags = np.arange(int(period_s * (1 - MOST_OFF) / hop_s), int(period_s * (1 + MOST_OFF) / hop_s) + 2)
        if len(tail) < _TURNS * lags[-1]:
            continue
        x = np.clip(tail - running_median(tail, round(1.0 / hop_s)), 0.0, None)
        x = np.maximum.reduce([x, np.roll(x, 1), np.roll(x, -1)])
        x -= x.mean()
        power = float(np.dot(x, x)) + 1e-12
        turns = [float(np.dot(x[:-lag], x[lag:])) / power * len(x) / (len(x) - lag) for lag in lags]
        peak = int(np.argmax(turns))
        if turns[peak] > (best.strength if best is not None else _LEAST_STRENGTH):
            best = LockedGroove(start, float(lags[peak] * hop_s), min(1.0, turns[peak]))
    return best
