"""Whether what was taken out of a span comes again near by: an instrument's pulses do, damage does not.

Conventions: one channel, ``before`` as it was and ``mended``; a span is ``[first, last)``; ``rate_factor`` as in ``mending``. Of
all places near, that one is chosen whose surroundings are most like those of the span, the span itself left out. A cycle or a
few away stands there what the span should hold: what was left in it, if damage was taken out; what was there before, if it was
a pulse. The places near are looked at as they were before mending: a crowd of pulses that was mended whole still shows itself.
All is asked of first differences, for the bass is much the same everywhere.
"""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.impulses.candidates import filter_ahead
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
    padded = (wide + 7) // 8 * 8
    slope = np.zeros(end - begin + padded + 8)
    for n in range(begin, end):
        slope[n - begin] = before[n] - before[n - step]
    squares = np.zeros(end - begin + 1)
    for n in range(end - begin):
        squares[n + 1] = squares[n] + slope[n] * slope[n]
    ahead, behind = np.zeros(padded), np.zeros(padded)
    own, gap, power = low - begin, stop - low, 1e-20
    for i in range(wide):
        ahead[i] = mended[low + i] - mended[low + i - step]
        behind[i] = mended[stop + i] - mended[stop + i - step]
        power += ahead[i] * ahead[i] + behind[i] * behind[i]
    # single precision is enough to say how alike two places are
    rough = slope.astype(np.float32)
    left, right = np.empty(lags, np.float32), np.empty(lags, np.float32)
    filter_ahead(rough, lags, ahead.astype(np.float32), left)
    filter_ahead(rough[gap:], lags, behind.astype(np.float32), right)
    unlike, best, gain = 1.0, -1, 0.0
    for k in range(lags):
        if abs(k - own) < nearest:
            continue
        like = squares[k + wide] - squares[k] + squares[k + gap + wide] - squares[k + gap] + 1e-20
        if like < 1e-20:  # exact silence: beside loud sums what was added is lost
            continue
        along = float(left[k]) + float(right[k])
        scale = min(MOST_GAIN, max(0.0, along / like))
        rest = (power - 2.0 * scale * along + scale * scale * like) / power
        if rest < unlike:
            unlike, best, gain = rest, k, scale
    if best < 0:
        return 1.0, 1.0
    across, energy = 0.0, 1e-20
    for n in range(first, stop):
        left_here = mended[n] - mended[n - step]
        out = slope[n - begin] - left_here
        across += out * (left_here - gain * slope[n - low + best])
        energy += out * out
    return 1.0 + 2.0 * across / energy, max(0.0, unlike)
