"""Crests of the music that were cut off at full scale: they have corners, which look like damage."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.impulses.evidence.near import WITHOUT_SIGN
from sidekeep.dsp.kernel import inner_kernel

RAIL_ROOM, RAIL_LEAST, RAIL_SIDES, RAIL_ODDS = 0.015, 3, 0.75, -10.0
"""Of a crest cut off: unevenness as a share of its level, least frames, level of the music beside it; log odds given."""


@inner_kernel
def greatest(own: Vector) -> float:
    """The greatest level, by its bits without the sign, as in ``near``."""
    bits, most = own.view(np.int64), np.zeros(1, np.int64)
    highest = most[0]
    for n in range(bits.shape[0]):
        highest = max(highest, bits[n] & WITHOUT_SIGN)
    most[0] = highest
    return float(most.view(np.float64)[0])


@inner_kernel
def lies_on_the_rail(own: Vector, first: int, last: int, rail: float) -> bool:
    """Whether a span holds a crest of the music that was cut off at ``rail``, the greatest level around.

    A cut-off crest has corners, which look like damage. It is flat at the rail, and the music on both sides is
    nearly as high; a pulse that reaches the rail stands alone.
    """
    if first < 4 or last + 4 > own.shape[0]:
        return False
    flat, longest, at = 0, 0, first
    for n in range(first, last):
        flat = flat + 1 if abs(own[n]) >= (1.0 - RAIL_ROOM) * rail else 0
        if flat > longest:
            longest, at = flat, n
    if longest < RAIL_LEAST:
        return False
    sign = 1.0 if own[at] > 0.0 else -1.0
    before, after = 0.0, 0.0
    for k in range(4):
        before += 0.25 * sign * own[first - 1 - k]
        after += 0.25 * sign * own[last + k]
    return min(before, after) >= RAIL_SIDES * rail
