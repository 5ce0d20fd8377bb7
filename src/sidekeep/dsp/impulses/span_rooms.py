"""The room round a damaged span: how far it may grow to both sides, and what is added behind the end that the evidence wants.

Conventions: those of ``mending``; rows and sizes as in ``damage_spans``. A large impulse rings on longer, and more of its tail
sinks under the errors.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel, kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BEFORE, BEFORE_OCTAVE, AFTER, AFTER_OCTAVE = 4, 8, 12, 16
"""Frames at 48 kHz by which a span may grow, and more for every octave of its size over ``PLAIN_SIZE`` scales."""
PLAIN_SIZE = 4.0
MARGIN, MARGIN_SHARE = 6, 0.2
"""Frames at 48 kHz added behind the end the evidence wants, and a share of the length; the tail sinks under the errors."""


@inner_kernel
def octaves_over(size: float) -> float:
    """Of a size in scales, over ``PLAIN_SIZE``; 0 for what is smaller."""
    return math.log2(max(size, PLAIN_SIZE) / PLAIN_SIZE)


@kernel
def find_rooms(rows: Ints, sizes: Floats, longest: int, rate_factor: int, rooms: Ints) -> None:
    """``rooms`` (spans, 2) gets the frames by which each may grow before it and behind it, up to ``longest`` in all."""
    for i in range(rows.shape[0]):
        octaves, length = octaves_over(sizes[i]), rows[i, 1] - rows[i, 0]
        before = rate_factor * (BEFORE + BEFORE_OCTAVE * octaves)
        after = rate_factor * (AFTER + AFTER_OCTAVE * octaves) + octaves * length
        rooms[i, 0] = int(before)
        rooms[i, 1] = int(min(after, max(0.0, longest - length - before)))


@kernel
def add_margins(rows: Ints, sizes: Floats, longest: int, rate_factor: int, edge: int, frames: int) -> int:
    """Add room to rows with the ends that the evidence wants, in place; how many are left.

    The stretch has so many ``frames``, of which ``edge`` are left alone at either end; no row becomes longer than ``longest``.
    """
    count = 0
    for i in range(rows.shape[0]):
        length = rows[i, 1] - rows[i, 0]
        margin = rate_factor * (MARGIN + octaves_over(sizes[i])) + MARGIN_SHARE * length
        first = max(edge, rows[i, 0] - rate_factor)
        last = min(min(frames - edge, rows[i, 1] + int(margin)), first + longest)
        if last > first:
            rows[count, 0], rows[count, 1], rows[count, 2] = first, last, rows[i, 2]
            sizes[count] = sizes[i]
            count += 1
    return count
