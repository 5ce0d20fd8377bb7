"""A signal laid out in columns, so that neighbouring places of a filter are whole lines of memory.

Conventions: of so many ``columns`` the first holds what is asked of the first ``places`` of the signal, the next one those after
them, and so on; row r is ``laid[columns * r : columns * (r + 1)]``, a line of memory or two. A filter moves by whole rows then.
Along the signal itself it moves by single frames, and nearly all that the processor reads at once straddles two lines of its
memory: twice the time. How many columns is a constant where a kernel asks, so that the compiler knows it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.kernel import inner_kernel

LINE_BYTES = 64
DOUBLES, SINGLES = 8, 16
"""Numbers of double and of single precision on a line of memory: columns for one and for the other."""

Reals = NDArray[np.float64] | NDArray[np.float32]


@inner_kernel
def on_lines(count: int) -> Vector:
    """An array of so many numbers, not set to anything, that begins where a line of memory begins."""
    whole = np.empty(count + LINE_BYTES // 8)
    begin = -whole.ctypes.data % LINE_BYTES // 8
    return whole[begin : begin + count]


@inner_kernel
def lay_out(signal: Vector, columns: int, places: int, laid: Vector) -> None:
    """``laid[columns * r + c] = signal[places * c + r]``, as many rows as ``laid`` holds; ``signal`` holds all that is asked."""
    for r in range(laid.shape[0] // columns):
        row, seen = laid[columns * r : columns * (r + 1)], signal[r:]
        for c in range(columns):
            row[c] = seen[places * c]


@inner_kernel
def lay_back(laid: Vector, columns: int, places: int, signal: Vector) -> None:
    """The way back, of the first rows: ``signal[places * c + r] = laid[columns * r + c]`` for r < ``places``."""
    for r in range(places):
        row, out = laid[columns * r : columns * (r + 1)], signal[r:]
        for c in range(columns):
            out[places * c] = row[c]


@inner_kernel
def filter_columns(laid: Reals, columns: int, taps: Reals, out: Reals) -> None:
    """``out[i] = sum_k taps[k] laid[i + columns * k]``, for as many as ``out`` holds; all three of one precision.

    Eight taps a pass, behind the one or few that are left over.
    """
    count, first = out.shape[0], taps.shape[0] % 8
    if first:
        tap = taps[0]
        for i in range(count):
            out[i] = tap * laid[i]
    else:
        for i in range(count):
            out[i] = 0.0
    for k in range(1, first):
        tap, shifted = taps[k], laid[columns * k : columns * k + count]
        for i in range(count):
            out[i] += tap * shifted[i]
    for k in range(first, taps.shape[0], 8):
        t0, t1, t2, t3 = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
        t4, t5, t6, t7 = taps[k + 4], taps[k + 5], taps[k + 6], taps[k + 7]
        x = laid[columns * k : columns * (k + 7) + count]
        for i in range(count):
            out[i] += (
                t0 * x[i]
                + t1 * x[i + columns]
                + t2 * x[i + 2 * columns]
                + t3 * x[i + 3 * columns]
                + t4 * x[i + 4 * columns]
                + t5 * x[i + 5 * columns]
                + t6 * x[i + 6 * columns]
                + t7 * x[i + 7 * columns]
            )


@inner_kernel
def correlate_columns(laid: Vector, columns: int, order: int, out: Vector) -> None:
    """``out[k] = sum_i laid[i] laid[i + columns * k]`` for k = 0..order, over all rows but the last ``order``.

    Four lags a pass: a number is then read once for all of them.
    """
    count = laid.shape[0] - columns * order
    here, first = laid[:count], 0
    while first + 3 <= order:
        one, two, three, four = 0.0, 0.0, 0.0, 0.0
        ahead = laid[columns * first : columns * (first + 3) + count]
        for i in range(count):
            one += here[i] * ahead[i]
            two += here[i] * ahead[i + columns]
            three += here[i] * ahead[i + 2 * columns]
            four += here[i] * ahead[i + 3 * columns]
        out[first], out[first + 1], out[first + 2], out[first + 3] = one, two, three, four
        first += 4
    for lag in range(first, order + 1):
        total, ahead = 0.0, laid[columns * lag : columns * lag + count]
        for i in range(count):
            total += here[i] * ahead[i]
        out[lag] = total
