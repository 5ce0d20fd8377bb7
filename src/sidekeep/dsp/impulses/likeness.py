"""Repairs of one shape: an instrument's pulses are as like as two cycles of it, no two specks of dust are.

Conventions: those of ``mending``; rows (first, last + 1, peak) of a stretch in order. What was taken out of each is laid on what
was taken out of the others near by on the same wall, shifted as it fits best. A scratch gives one shape again and again too, but
only once a turn: what is counted lies nearer than that.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Matrix
from sidekeep.dsp.kernel import inner_kernel


@inner_kernel
def count_alike(
    planes: Matrix,
    work: Matrix,
    rows: NDArray[np.int64],
    walls: NDArray[np.int64],
    asked: NDArray[np.bool_],
    reach: int,
    least: float,
    alike: NDArray[np.int64],
) -> None:
    """``alike[i]``: of every asked row, how many other asked ones of its wall begin within ``reach`` frames and have its shape.

    That is where the best correlation of what was taken out, ``planes`` less ``work``, is ``least`` or more. Rows that are not
    asked get 0.
    """
    alike[:] = 0
    for i in range(rows.shape[0]):
        if not asked[i]:
            continue
        wall = walls[i]
        own = planes[wall, rows[i, 0] : rows[i, 1]] - work[wall, rows[i, 0] : rows[i, 1]]
        for j in range(i + 1, rows.shape[0]):
            if rows[j, 0] - rows[i, 0] > reach:
                break
            if not asked[j] or walls[j] != wall:
                continue
            other = planes[wall, rows[j, 0] : rows[j, 1]] - work[wall, rows[j, 0] : rows[j, 1]]
            power = math.sqrt(np.sum(own * own) * np.sum(other * other))
            best, most = 0.0, min(own.shape[0], other.shape[0]) // 2
            for shift in range(-most, most + 1):
                before, behind = max(0, -shift), min(own.shape[0], other.shape[0] - shift)
                product = 0.0
                for n in range(before, behind):
                    product += own[n] * other[n + shift]
                best = max(best, product)
            if power > 0.0 and best >= least * power:
                alike[i] += 1
                alike[j] += 1
