"""The tick of the locked groove, in a row of peak values: it comes back once per turn of the disc.

The row is folded at the length of a turn: what comes back adds up in one place of the turn, crackle spreads over all of
it. How far that place stands out is compared with foldings at lengths that are no turn (epoch folding, as it is used
for pulsars: D. A. Leahy et al., *Astrophysical Journal* 266, 1983, p. 160; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.units import LP_RPM, SHELLAC_RPM, SINGLE_RPM

Floats = NDArray[np.float64]

_TURN_PERIODS_S = (60.0 / LP_RPM, 60.0 / SINGLE_RPM, 60.0 / SHELLAC_RPM[3], 60.0 / SHELLAC_RPM[2])
"""33 1/3, 45 and the two 78s: more lengths would be more chances for crackle, and older records seldom have a locked groove
(common practice, no source)."""
_SPEED_ERRORS = np.linspace(-0.006, 0.006, 7)
"""Turntables run up to 0.3 % off (IEC 98 allows 1.2 % fast and 0.8 % slow, from memory); twice the first, in steps of 0.2
%."""
_OTHER_PERIODS_S = np.array(
    [
        0.55,
        0.61,
        0.66,
        0.72,
        0.81,
        0.86,
        0.95,
        1.03,
        1.11,
        1.18,
        1.26,
        1.42,
        1.50,
        1.58,
        1.67,
        1.93,
        2.02,
        2.11,
        2.20,
    ]
)
"""Lengths that are no turn, and no half or third of one."""
_LEAST_TURNS = 4
"""Turns after which a row can be told to keep a period. Chosen by hand, no finer reason."""
_LEAST_Z = 5.0
"""Deviations of a sum of noise: crackle alone came to 4.4 at most, a locked groove on a worn disc to 5.1 and more."""
_OVER_OTHERS = 1.35
"""The turn must stand out by so much over the 95 % quantile of lengths that are no turn. Chosen by hand, no finer reason."""
_BASELINE_S = 1.85
"""Slow changes of level are taken off over a turn of 33 1/3 rpm and a little. Chosen by hand, no finer reason."""


def once_per_turn(peaks: Floats, step_s: float) -> bool:
    """Whether a row of (log) peak values repeats with the period of a turn, and at no other one."""
    row = _levelled(peaks, max(3, round(_BASELINE_S / step_s) | 1))
    if row is None:
        return False
    length_s = len(row) * step_s
    others = float(np.quantile([_stands_out(row, period / step_s) for period in _OTHER_PERIODS_S], 0.95))
    for period_s in _TURN_PERIODS_S:
        if length_s < _LEAST_TURNS * period_s:
            continue
        whole = max(_stands_out(row, period_s * (1.0 + error) / step_s) for error in _SPEED_ERRORS)
        # A beat twice or three times per turn stands out more at its own length than at the turn's.
        parts = max(_stands_out(row, period_s / part / step_s) for part in (2, 3))
        if whole >= _LEAST_Z and whole > _OVER_OTHERS * others and whole > parts:
            return True
    return False


def _levelled(peaks: Floats, width: int) -> Floats | None:
    """Without what changes over a turn or longer, no value counting for more than a few others; None for an even row."""
    if len(peaks) < 2 * width:
        return None
    padded = np.pad(peaks, width // 2, mode="edge")
    row = peaks - np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    spread = 1.48 * float(np.median(np.abs(row - np.median(row))))
    row = np.clip(row / (spread + 1e-9), -3.0, 4.0)
    deviation = float(row.std())
    return (row - row.mean()) / deviation if deviation > 0.0 else None


def _stands_out(row: Floats, period: float) -> float:
    """The highest place of the row folded at ``period`` (in steps), in deviations of a sum of noise."""
    count = max(2, round(period))
    phase = (np.arange(len(row)) / period) % 1.0
    best = 0.0
    for shift in (0.0, 0.5 / count):
        places = (((phase + shift) % 1.0) * count).astype(np.int64) % count
        total = np.bincount(places, row, count)
        share = np.bincount(places, minlength=count)
        best = max(best, float((total / np.sqrt(np.maximum(share, 1))).max()))
    return best
