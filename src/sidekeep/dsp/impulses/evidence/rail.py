"""Crests of the music that were cut off at full scale: they have corners, which look like damage."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.impulses.evidence.near import WITHOUT_SIGN
from sidekeep.dsp.kernel import inner_kernel

RAIL_ROOM, RAIL_LEAST, RAIL_SIDES, RAIL_ODDS = 0.015, 3, 0.75, -10.0
"""Of a crest cut off: unevenness as a share of its level, least frames, level of the music beside it; log odds given."""
PIECE = 4096
"""Frames looked at before it is asked whether that is enough."""


@inner_kernel
def greatest(own: Vector, enough: float) -> float:
    """The greatest level; where one is over ``enough`` any that is, and what comes after is not looked at.

    By its bits without the sign, as in ``near``.
    """
    bits, most = own.view(np.int64), np.zeros(1, np.int64)
    levels = most.view(np.float64)
    for begin in range(0, bits.shape[0], PIECE):
        highest, piece = most[0], bits[begin : begin + PIECE]
        for n in range(piece.shape[0]):
            highest = max(highest, piece[n] & WITHOUT_SIGN)
        most[0] = highest
        if levels[0] > enough:
            break
    return float(levels[0])


@inner_kernel
def rail_of(own: Vector, spans: NDArray[np.int64], odds: Vector, least: float) -> float:
    """The greatest level of all, as far as ``lies_on_the_rail`` needs it for the spans of more than the ``least`` odds.

    Where there is a level that none of them comes near, none lies on the rail, whatever it is.
    """
    most = 0.0
    for i in range(spans.shape[0]):
        if odds[i] > least:
            for n in range(max(0, spans[i, 0]), min(own.shape[0], spans[i, 1])):
                most = max(most, abs(own[n]))
    return greatest(own, most / (1.0 - RAIL_ROOM) * 1.000001)


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
