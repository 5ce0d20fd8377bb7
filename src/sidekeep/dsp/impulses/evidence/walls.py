"""What the other wall says: whether it explains the pulse, and what it holds of it.

Conventions: those of ``collect``. A take of one channel has nothing to say here.
"""

from __future__ import annotations

import math

import numpy as np

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.impulses.candidates import filter_ahead
from sidekeep.dsp.impulses.evidence.near import CORE, REACH
from sidekeep.dsp.kernel import inner_kernel

NAMES = ("conditional", "correlation", "partner")


@inner_kernel
def wall_evidence(
    own: Vector,
    other: Vector,
    error: Vector,
    scale: float,
    model: Vector,
    peak: int,
    rate_factor: int,
    size: float,
    out: Vector,
) -> None:
    """Fill the numbers of ``NAMES``; ``size`` is the near evidence *peak*, which stands for *conditional* in mono."""
    length = own.shape[0]
    order = model.shape[0] - 1
    reach = REACH * rate_factor
    core = CORE * rate_factor
    low, high = max(order, peak - reach), min(length, peak + reach + 1)
    begin, end = max(low, peak - core), min(high, peak + core + 1)
    out[0], out[1], out[2] = size, 0.0, 0.0
    # the other channel, seen through this channel's predictor
    if other.shape[0] == length:
        count = high - low
        mirror = np.empty(count)
        mirrored = np.empty(order + 1)
        for k in range(order + 1):
            mirrored[k] = model[order - k]
        filter_ahead(other[low - order : high], count, mirrored, mirror)
        xy, yy, xx = 0.0, 1e-30, 1e-30
        bound = 16.0 * scale * scale
        for side in range(2):
            since, until = (low, begin) if side == 0 else (end, high)
            seen, across = error[since:until], mirror[since - low :]
            for i in range(until - since):
                # one large pulse must not set the relation: bounded influence
                a, b = seen[i], across[i]
                weight = bound / (bound + a * a + b * b)
                xy += weight * a * b
                yy += weight * b * b
                xx += weight * a * a
        slope = xy / yy
        rest = math.sqrt(max(1e-4, 1.0 - xy * xy / (xx * yy)))
        most, ab, bb, aa = 1e-3, 0.0, 1e-30, 1e-30
        for n in range(begin, end):
            a, b = error[n], mirror[n - low]
            most = max(most, abs(a - slope * b))
            ab += a * b
            bb += b * b
            aa += a * a
        out[0] = math.log(max(1e-3, most / (scale * rest)))
        out[1] = ab / math.sqrt(aa * bb)
        out[2] = 0.5 * math.log(bb / aa)
