"""Finding impulses: errors of a local predictor, measured against a local scale.

Conventions: one channel of a stretch of a take, contiguous float64. Predictors belong to hops of ``hop`` frames and
are fitted on two hops under a Hann window. Three errors are looked at, each in units of the local scale: forward
(says where a click starts), backward (where it stops) and two-sided (whether there is one: the matched filter for
a short pulse, Vaseghi & Rayner, IEE Proc. I 137(1), 1990, from memory). The scale is a constant-false-alarm
"greatest of": the larger of the medians of the cells before and after, guard cells left out, so that an onset
that stays loud is no click.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Matrix, Vector, levinson, model_correlation
from sidekeep.dsp.impulses.columns import (
    DOUBLES,
    Reals,
    correlate_columns,
    filter_columns,
    lay_back,
    lay_out,
    on_lines,
)
from sidekeep.dsp.impulses.running_median import CELLS, running_median
from sidekeep.dsp.kernel import inner_kernel, kernel

CELL = 16
"""Frames averaged to one cell of the scale."""
GUARD = 3
"""Cells next to the tested one that are left out."""
QUIET = 1.5e-5
"""Least scale, linear: half a step of 16 bits."""


@kernel
def fit_predictors(signal: Vector, hop: int, order: int, stale: NDArray[np.bool_], models: Matrix) -> None:
    """Fit ``models[b]`` on two hops round hop b wherever ``stale[b]``."""
    length = signal.shape[0]
    span = min(2 * hop, length)
    window = np.empty(span)
    for i in range((span + 1) // 2):
        window[i] = 0.5 - 0.5 * math.cos(2.0 * math.pi * (i + 0.5) / span)
        window[span - 1 - i] = window[i]
    places = -(-span // DOUBLES)
    windowed, laid = np.zeros(DOUBLES * places + order), on_lines(DOUBLES * (places + order))
    correlation = np.empty(order + 1)
    scratch = np.empty(2 * order + 2)
    for b in range(models.shape[0]):
        if not stale[b]:
            continue
        low = max(0, min(length - span, b * hop - hop // 2))
        seen = signal[low : low + span]
        for i in range(span):
            windowed[i] = seen[i] * window[i]
        lay_out(windowed, DOUBLES, places, laid)
        correlate_columns(laid, DOUBLES, order, correlation)
        correlation[0] += span * 1e-11
        levinson(correlation, order, models[b], scratch)


@inner_kernel
def filter_ahead(signal: Reals, count: int, taps: Reals, out: Reals) -> None:
    """``out[i] = sum_k taps[k] signal[i + k]`` for i < count, all three in double or all in single precision."""
    filter_columns(signal, 1, taps, out[:count])


@kernel
def find_errors(
    signal: Vector, hop: int, models: Matrix, stale: NDArray[np.bool_], forward: Vector, both: Vector
) -> None:
    """Fill the forward and the two-sided error of every stale hop; the two-sided one is scaled to the forward's spread.

    The two-sided error is the forward one filtered backwards.
    """
    length = signal.shape[0]
    order = models.shape[1] - 1
    back, ahead = np.empty(order + 1), np.empty(order + 1)
    places = -(-hop // DOUBLES)
    piece, values = np.zeros(DOUBLES * places + 2 * order), np.empty(DOUBLES * places)
    laid, error = on_lines(DOUBLES * (places + 2 * order)), on_lines(DOUBLES * (places + order))
    twice = on_lines(DOUBLES * places)
    for b in range(models.shape[0]):
        if not stale[b]:
            continue
        gain = 0.0
        for k in range(order + 1):
            gain += models[b, k] * models[b, k]
        gain = 1.0 / math.sqrt(gain)
        for k in range(order + 1):
            back[k] = models[b, order - k]
            ahead[k] = models[b, k] * gain
        first = b * hop
        count = min(hop, length - first)
        begin, end = first - order, first - order + piece.shape[0]
        seen = piece
        if begin >= 0 and end <= length:
            seen = signal[begin:end]
        else:
            for i in range(piece.shape[0]):
                piece[i] = signal[begin + i] if 0 <= begin + i < length else 0.0
        lay_out(seen, DOUBLES, places, laid)
        filter_columns(laid, DOUBLES, back, error)
        filter_columns(error, DOUBLES, ahead, twice)
        low, high = max(0, order - first), min(count, length - order - first)
        for rows, out in ((error, forward[first : first + count]), (twice, both[first : first + count])):
            if count == values.shape[0]:
                lay_back(rows, DOUBLES, places, out)
            else:
                lay_back(rows, DOUBLES, places, values)
                out[:] = values[:count]
            out[:low] = 0.0
            out[max(low, high) :] = 0.0


@inner_kernel
def backward_error(signal: Vector, model: Vector, at: int) -> float:
    """The error of predicting a frame from those after it; asked for only where a click may stop."""
    total = 0.0
    after = signal[at : at + model.shape[0]]
    for k in range(after.shape[0]):
        total += model[k] * after[k]
    return total


@kernel
def find_scale(error: Vector, hop: int, stale: NDArray[np.bool_], means: Vector, scale: Vector) -> None:
    """Greatest-of local scale per cell of ``CELL`` frames (``scale`` has one value a cell), wherever it sees a stale hop.

    ``means`` gets the deviation that each cell's mean absolute error stands for.
    """
    cells, reach, length = scale.shape[0], GUARD + CELLS, error.shape[0]
    for b in range(stale.shape[0]):
        if not stale[b]:
            continue
        begin, end = b * hop // CELL, min(cells, (b + 1) * hop // CELL)
        for c in range(begin, min(end, length // CELL)):
            total, piece = 0.0, error[c * CELL : (c + 1) * CELL]
            for n in range(CELL):
                total += abs(piece[n])
            means[c] = total / (CELL * 0.7979)
        if end > length // CELL:
            means[end - 1] = np.abs(error[(end - 1) * CELL :]).mean() / 0.7979
    b = 0
    while b < stale.shape[0]:
        first = b
        while b < stale.shape[0] and stale[b]:
            b += 1
        if b > first:
            low, high = max(0, first * hop // CELL - reach), min(cells, b * hop // CELL + reach)
            scale_cells(means, low, high, scale)
        b += 1


@inner_kernel
def scale_cells(means: Vector, low: int, high: int, scale: Vector) -> None:
    """``find_scale`` for the cells ``[low, high)``."""
    cells, reach = scale.shape[0], GUARD + CELLS
    since, until = max(0, low - reach), min(cells, high + reach)
    # of the cells behind; those of the cells ahead are the same list later on
    behind = np.empty(until - since)
    running_median(means[since:until], behind)
    for c in range(low, high):
        level = QUIET
        if c - GUARD >= CELLS // 2:
            level = max(level, behind[c - GUARD - since])
        ahead = c + GUARD + CELLS - 1
        if ahead < cells:
            level = max(level, behind[ahead - since])
        elif cells > CELLS:
            level = max(level, behind[cells - 1 - since])
        scale[c] = level


@kernel
def calm_share(means: Vector, scale: Vector, peaks: NDArray[np.int64], reach: int, least: float) -> Vector:
    """Power of the local scale over the mean power of the errors ``reach`` cells each side of a peak, ``least`` to 1.

    In music that is predictable but for its attacks the mean is that of the attacks. ``means``: those of ``find_scale``.
    """
    shares = np.ones(peaks.shape[0])
    for row in range(peaks.shape[0]):
        here = min(peaks[row] // CELL, scale.shape[0] - 1)
        low, high = max(0, here - reach), min(scale.shape[0], here + reach)
        total, seen, levels = 0.0, means[low:high], scale[low:high]
        for i in range(high - low):
            total += min(seen[i], 8.0 * levels[i]) ** 2
        if high > low and total > 0.0:
            shares[row] = min(1.0, max(least, scale[here] * scale[here] * (high - low) / total))
    return shares


@kernel
def find_tests(
    both: Vector, models: Matrix, hop: int, stale: NDArray[np.bool_], rate_factor: int, tests: Vector
) -> None:
    """The likelihood ratio of three neighbouring frames being unknown, for every frame of the stale hops.

    It is ``g' B^-1 g`` with g their two-sided errors and B the 3 x 3 corner of A'A.
    """
    length = both.shape[0]
    order = models.shape[1] - 1
    taps = np.empty(order + 1)
    for b in range(models.shape[0]):
        if not stale[b]:
            continue
        model_correlation(models[b], order, taps)
        r1, r2 = taps[rate_factor] / taps[0], taps[2 * rate_factor] / taps[0]
        determinant = max(1.0 + 2.0 * r1 * r1 * r2 - 2.0 * r1 * r1 - r2 * r2, 1e-6)
        i00 = (1.0 - r1 * r1) / determinant
        i01 = 2.0 * (r1 * r2 - r1) / determinant
        i02 = 2.0 * (r1 * r1 - r2) / determinant
        i11 = (1.0 - r2 * r2) / determinant
        low, high = max(b * hop, rate_factor), min((b + 1) * hop, length - rate_factor)
        before, here, after = (
            both[low - rate_factor : high],
            both[low:high],
            both[low + rate_factor : high + rate_factor],
        )
        out = tests[low:high]
        for i in range(high - low):
            x, y, z = before[i], here[i], after[i]
            out[i] = i00 * (x * x + z * z) + i11 * y * y + i01 * y * (x + z) + i02 * x * z


@kernel
def find_candidates(
    signal: Vector,
    forward: Vector,
    tests: Vector,
    scale: Vector,
    models: Matrix,
    hop: int,
    stale: NDArray[np.bool_],
    open_at: float,
    grow_at: float,
    rate_factor: int,
    spans: NDArray[np.int64],
    peaks: Vector,
) -> int:
    """Places in stale hops where the two-sided error stands out: rows (first, last + 1, peak frame); how many.

    ``tests`` are those of ``find_tests``; their root in units of the scale is what is compared. From the peak a span
    grows backwards while the forward error and forwards while the backward error stands over ``grow_at`` (each is sharp
    on its own side: Niedzwiecki & Ciolek, IEEE TASLP 21(5), 2013), bridging gaps of a few frames.
    """
    length = forward.shape[0]
    order = models.shape[1] - 1
    count = 0
    bridge = 4 * rate_factor
    n = order + rate_factor
    end = length - order - rate_factor
    while n < end and count < spans.shape[0]:
        if not stale[n // hop]:
            n = (n // hop + 1) * hop
            continue
        cell = n // CELL
        level = scale[cell]
        least = open_at * open_at * level * level
        stop = min(end, (cell + 1) * CELL)
        high, piece = 0, tests[n:stop]
        for at in range(piece.shape[0]):
            high += 1 if piece[at] >= least else 0
        if not high:
            n = stop
            continue
        while tests[n] < least:
            n += 1
        # the largest test within the next few frames is the peak
        best, peak = tests[n], n
        at = n + 1
        while at < min(end, peak + 8 * rate_factor):
            if tests[at] > best:
                best, peak = tests[at], at
            at += 1
        limit = grow_at * level
        first, quiet, at = peak - rate_factor, 0, peak
        while at > order and quiet < bridge:
            at -= 1
            if abs(forward[at]) > limit:
                first = min(first, at)
                quiet = 0
            else:
                quiet += 1
        last, quiet, at = peak + rate_factor, 0, peak
        while at < length - order - 1 and quiet < bridge:
            at += 1
            if abs(backward_error(signal, models[at // hop], at)) > limit:
                last = max(last, at)
                quiet = 0
            else:
                quiet += 1
        spans[count, 0] = first
        spans[count, 1] = last + 1
        spans[count, 2] = peak
        peaks[count] = math.sqrt(best) / level
        count += 1
        n = last + 1
    return count


LONG_OVER, LONG_END, LONG_BACK = 8.0, 3.0, 2.0
"""A long burst opens at this many times the level before it, is over below the second, and must come back to the third."""


@kernel
def find_bursts(signal: Vector, other: Vector, least: int, most: int, spans: NDArray[np.int64]) -> int:
    """Bursts of ``least`` to ``most`` frames after which all is as before: rows (first, last + 1); how many.

    Such a burst on one wall, or in opposite sign on both, is damage too long to mend; on both walls alike it may
    be a drum and is left out. Levels are those of second differences: a long burst spoils the predictor of its own hop.
    ``other`` is the other channel (length 0 for mono, which cannot tell and needs the level to come back twice as well).
    """
    cells = (signal.shape[0] - 2) // CELL
    mean = np.empty(cells)
    for c in range(cells):
        total = 0.0
        for n in range(c * CELL, (c + 1) * CELL):
            total += abs(signal[n] - 2.0 * signal[n + 1] + signal[n + 2])
        mean[c] = total / CELL
    count = 0
    c = 40
    while c < cells - 32 and count < spans.shape[0]:
        # a cheap look before the median
        if mean[c] < LONG_OVER * QUIET or mean[c] < 3.0 * mean[c - 6]:
            c += 1
            continue
        before = np.median(mean[c - 40 : c - 4]) + QUIET
        if mean[c] < LONG_OVER * before:
            c += 1
            continue
        end, calm = c + 1, 0
        while end < cells - 32 and calm < 4 and (end - c) * CELL <= most:
            calm = calm + 1 if mean[end] < LONG_END * before else 0
            end += 1
        last = end - calm
        length = (last - c) * CELL
        back = LONG_BACK if other.shape[0] else 0.5 * LONG_BACK + 0.5
        if calm == 4 and length >= least and np.median(mean[last + 2 : last + 26]) < back * before:
            aa, bb, ab = 1e-30, 1e-30, 0.0
            if other.shape[0]:
                for n in range(c * CELL, last * CELL):
                    a = signal[n] - 2.0 * signal[n + 1] + signal[n + 2]
                    b = other[n] - 2.0 * other[n + 1] + other[n + 2]
                    aa += a * a
                    bb += b * b
                    ab += a * b
            if other.shape[0] == 0 or bb < 0.03 * aa or ab < -0.5 * math.sqrt(aa * bb):
                spans[count, 0] = c * CELL
                spans[count, 1] = last * CELL
                count += 1
        c = end
    return count
