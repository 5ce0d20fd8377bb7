"""What a candidate is believed, all considered: what its judges say, and what is known from elsewhere in the stretch.

Conventions: those of ``mending``; candidates of one channel in order.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.peers import (
    DOUBT_REACH_S,
    DOUBT_WEIGHT,
    REACH_S,
    lower_among_peers,
    lower_in_crowds,
)
from sidekeep.dsp.impulses.priors import add_beside, spread_due
from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@kernel
def weigh_candidates(
    spans: Ints,
    tests: Floats,
    odds: Floats,
    doubts: Floats,
    shift: float,
    doubt_shift: float,
    due: Floats,
    wall: int,
    rows: Ints,
    sizes: Floats,
    mended_peaks: Ints,
    mended_sizes: Floats,
    least: float,
    rate_hz: float,
) -> Floats:
    """Log odds of every candidate, from ``odds`` and ``doubts`` of the two judges and how much damage there is (their shifts).

    ``due``: where a scratch is expected, rows as in ``Due``; ``rows`` and ``sizes`` of what was mended at a first look, and peaks
    and sizes of what was taken on this channel then; candidates are taken from the odds ``least`` on.
    """
    believed, bonus = np.empty(spans.shape[0]), np.empty(spans.shape[0])
    spread_due(spans, due, wall, bonus)
    doubts = doubts + doubt_shift
    for i in range(spans.shape[0]):
        believed[i] = odds[i] + shift + DOUBT_WEIGHT * min(0.0, doubts[i]) + bonus[i]
    add_beside(spans, rows, sizes, rate_hz, believed)
    peaks = spans[:, 2].copy()
    lower_in_crowds(peaks, tests, believed, doubts, least, int(DOUBT_REACH_S * rate_hz))
    reach = int(REACH_S * rate_hz)
    lower_among_peers(peaks, tests, believed, least, reach, mended_peaks, mended_sizes)
    return believed
