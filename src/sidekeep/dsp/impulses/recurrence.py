"""Whether what was taken out of a span comes again near by: an instrument's pulses do, damage does not.

Conventions: one channel, ``before`` as it was and ``mended``; a span is ``[first, last)``; ``rate_factor`` as in ``mending``. Of
all places near, that one is chosen whose surroundings are most like those of the span, the span itself left out. A cycle or a
few away stands there what the span should hold: what was left in it, if damage was taken out; what was there before, if it was
a pulse. The places near are looked at as they were before mending: a crowd of pulses that was mended whole still shows itself.
All is asked of first differences, for the bass is much the same everywhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.impulses.columns import SINGLES, filter_columns, lay_out, on_lines
from sidekeep.dsp.kernel import inner_kernel

ROUND, FAR, APART = 176, 2646, 22
"""Frames at 48 kHz and below: 4 ms of sound on each side that is compared; how far away the places may be (60 ms, two pulses of a
voice that creaks at 35 a second); and the room between the span and its like."""
MOST_GAIN = 3.0
"""A note may swell or die away, but no more than so much from one cycle to the next few."""


@inner_kernel
def recurrence(
    before: Vector, mended: Vector, first: int, last: int, rate_factor: int
) -> tuple[float, float]:
    """What the likest place near says to a repair, and how unlike its surroundings are (0 the same, 1 nothing in common).

    1: it holds what was left in the span; -1: it holds what was there before. (1, 1) where there is no such place.
    """
    wide, step = ROUND * rate_factor, rate_factor
    low, stop = first - wide, last + step
    high = stop + wide
    if low - step < 0 or high > before.shape[0]:
        return 1.0, 1.0
    farthest, nearest = FAR * rate_factor, stop - first + APART * rate_factor
    begin = max(step, low - farthest)
    end = min(before.shape[0], high + farthest)
    lags = end - begin - (high - low) + 1
    padded, own, gap = (wide + 7) // 8 * 8, low - begin, stop - low
    rows = -(-lags // SINGLES)
    slope = np.zeros(SINGLES * rows + gap + padded)
    here, earlier = before[begin:end], before[begin - step :]
    for n in range(here.shape[0]):
        slope[n] = here[n] - earlier[n]
    ahead, behind = np.zeros(padded, np.float32), np.zeros(padded, np.float32)
    power = 1e-20
    for i in range(wide):
        left_ahead = mended[low + i] - mended[low + i - step]
        left_behind = mended[stop + i] - mended[stop + i - step]
        power += left_ahead * left_ahead + left_behind * left_behind
        ahead[i], behind[i] = left_ahead, left_behind
    explained = on_lines(SINGLES * rows)
    explain_places(slope, ahead, behind, wide, gap, explained)
    # not the span itself, nor what was only laid out to fill the columns
    for k in range(max(0, own - nearest + 1), min(lags, own + nearest)):
        explained[SINGLES * (k % rows) + k // rows] = 0.0
    for k in range(lags, SINGLES * rows):
        explained[SINGLES * (k % rows) + k // rows] = 0.0
    best = first_greatest(explained)
    if best < 0:
        return 1.0, 1.0
    most = explained[SINGLES * (best % rows) + best // rows]
    like, along = 1e-20, 0.0
    for i in range(wide):
        a, b = slope[best + i], slope[best + gap + i]
        like += a * a + b * b
        along += ahead[i] * a + behind[i] * b
    gain, unlike = min(MOST_GAIN, max(0.0, along / like)), (power - most) / power
    across, energy = 0.0, 1e-20
    for n in range(first, stop):
        left_here = mended[n] - mended[n - step]
        out = slope[n - begin] - left_here
        across += out * (left_here - gain * slope[n - low + best])
        energy += out * out
    return 1.0 + 2.0 * across / energy, max(0.0, unlike)


@inner_kernel
def explain_places(
    slope: Vector,
    ahead: NDArray[np.float32],
    behind: NDArray[np.float32],
    wide: int,
    gap: int,
    explained: Vector,
) -> None:
    """How much of the power of the surroundings, ``wide`` frames ``ahead`` and as many ``behind``, each place explains.

    The places are those of ``slope``, ``gap`` frames from its sound ahead to that behind, laid out in columns (``columns``).
    Nothing is explained where there is exact silence: beside loud sums what was added to be divided by is lost.
    """
    count, behind_at = explained.shape[0], SINGLES * gap
    laid = on_lines(count + behind_at + SINGLES * ahead.shape[0])
    lay_out(slope, SINGLES, count // SINGLES, laid)
    # single precision is enough to say how alike two places are
    rough = on_lines(laid.shape[0] // 2).view(np.float32)
    squares = on_lines(laid.shape[0] + SINGLES)
    squares[:SINGLES] = 0.0
    for i in range(laid.shape[0]):
        rough[i] = laid[i]
        squares[i + SINGLES] = squares[i] + laid[i] * laid[i]
    alike = on_lines(count).view(np.float32)
    left, right = alike[:count], alike[count:]
    filter_columns(rough, SINGLES, ahead, left)
    filter_columns(rough[behind_at:], SINGLES, behind, right)
    one, two = squares[:count], squares[SINGLES * wide :]
    three, four = squares[behind_at:], squares[behind_at + SINGLES * wide :]
    for i in range(count):
        like = two[i] - one[i] + four[i] - three[i] + 1e-20
        along = float(left[i]) + float(right[i])
        scale = min(MOST_GAIN, max(0.0, along / like))
        explained[i] = scale * (2.0 * along - scale * like) if like >= 1e-20 else 0.0


@inner_kernel
def first_greatest(laid: Vector) -> int:
    """The first place of the greatest of what is laid out in columns, all 0 or more; -1 where all are 0.

    By their bits: numbers over 0 are in the same order so, and are compared eight at a time.
    """
    bits, rows = laid.view(np.int64), laid.shape[0] // SINGLES
    most = np.int64(0)
    for i in range(bits.shape[0]):
        most = max(most, bits[i])
    if most == 0:
        return -1
    first = laid.shape[0]
    for r in range(rows):
        line, there = bits[SINGLES * r : SINGLES * (r + 1)], 0
        for c in range(SINGLES):
            there += 1 if line[c] == most else 0
        for c in range(SINGLES if there else 0):
            if line[c] == most:
                first = min(first, rows * c + r)
    return first
