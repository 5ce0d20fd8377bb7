"""What a damaged span held: the disturbance is weighed, not replaced.

Conventions: frames of one channel, contiguous float64; ``observed`` y is the take, ``working`` x the mended take so
far. In the span y = x + d. The music x is autoregressive (see ``autoregression``); the disturbance d is an autoregressive pulse
of order ``COLOUR`` whose innovations have their own variance v(n), zero outside the span. Given all of that
the estimate is the posterior mean: it solves ``(A'A / s2 + D' V^-1 D) d = A'A y / s2`` over the span. The models
are learnt from the span itself by expectation-maximisation: v from locally averaged posterior second moments
(the mean squared plus the posterior variance), D from the same moments, A from context and estimate together.
Filling without weighing (v infinite) is the classic least-squares estimate (Godsill & Rayner, *Digital Audio
Restoration*, 1998, chapter 5; iterated re-estimation: Janssen, Veldhuis, Vries, IEEE TASSP 34(2), 1986).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import (
    Matrix,
    Vector,
    autocorrelate,
    factor_band,
    invert_band,
    levinson,
    model_correlation,
    solve_band,
)
from sidekeep.dsp.kernel import kernel

COLOUR = 2
"""Order of the disturbance's own model."""
WHITE_FRAMES = 6.0
TINY = 1e-30


@kernel
def hann(count: int) -> Vector:
    """Hann window, by the recurrence of the cosine: exact to 1e-10 at these lengths, and quick."""
    window = np.empty(count)
    step = 2.0 * math.pi / count
    twice = 2.0 * math.cos(step)
    now, before = math.cos(0.5 * step), math.cos(0.5 * step)
    for i in range(count):
        window[i] = 0.5 - 0.5 * now
        now, before = twice * now - before, now
    return window


@kernel
def estimate_span(
    observed: Vector,
    working: Vector,
    start: int,
    stop: int,
    context: int,
    order: int,
    rounds: int,
    smooth: int,
    result: Vector,
) -> None:
    """Write the estimate of ``[start, stop)`` into ``working``; everything else is only read.

    ``smooth`` is the half-width, in frames, over which the disturbance's variance is averaged.
    ``result`` (3,) gets the music's innovation variance, the evidence ``d' A'A y / s2`` per frame, and the share
    of the disturbance's power that stays uncertain.
    """
    m = stop - start
    p = order
    low = max(0, start - context)
    high = min(working.shape[0], stop + context)
    n = high - low
    head, tail = start - low, stop - low
    window = hann(n)
    windowed = np.empty(n)
    for i in range(n):
        inside = head <= i < tail
        windowed[i] = 0.0 if inside else working[low + i] * window[i]
    fixed = np.empty(p + 1)
    autocorrelate(windowed, p, fixed)
    correlation = np.empty(p + 1)
    model = np.empty(p + 1)
    scratch = np.empty(p + 1)
    taps = np.empty(p + 1)
    d = np.zeros(m)
    pull = np.empty(m)
    band = np.empty((m, p + 1))
    upper = np.empty((m, p + 1))
    spread = np.empty((m, p + 1))
    variance = np.empty(m)
    sums = np.empty(m + 1)
    doubt = np.empty(m + 1)
    colour = np.zeros(COLOUR + 1)
    colour[0] = 1.0
    s2 = 1.0
    for trip in range(rounds):
        for k in range(p + 1):
            correlation[k] = fixed[k]
        if trip > 0:
            for i in range(m):
                windowed[head + i] = working[start + i] * window[head + i]
            for k in range(p + 1):
                total = 0.0
                for i in range(max(0, head - k), min(tail, n - k)):
                    if i >= head or i + k < tail:
                        if i >= head or i + k >= head:
                            total += windowed[i] * windowed[i + k]
                for i in range(m - k):
                    total += s2 * spread[i, k] * window[head + i] * window[head + i + k]
                correlation[k] += total
        levinson(correlation, p, model, scratch)
        model_correlation(model, p, taps)
        power, count = 0.0, 0
        for i in range(low + p, high):
            if i < start or i >= stop + p:
                error = 0.0
                for k in range(p + 1):
                    error += model[k] * working[i - k]
                power += error * error
                count += 1
        s2 = power / max(count, 1) + TINY
        for i in range(m):
            at = start + i
            total = taps[0] * observed[at]
            for k in range(1, p + 1):
                before, after = at - k, at + k
                if before >= start:
                    total += taps[k] * observed[before]
                elif before >= 0:
                    total += taps[k] * working[before]
                if after < stop:
                    total += taps[k] * observed[after]
                elif after < working.shape[0]:
                    total += taps[k] * working[after]
            pull[i] = total
            d[i] = total
        for i in range(m):
            for k in range(p + 1):
                band[i, k] = 0.0
            for k in range(min(i, p) + 1):
                band[i, p - k] = taps[k]
            band[i, p] *= 1.0 + 1e-9
        if trip > 0:
            for i in range(m):
                weight = s2 / variance[i]
                for k in range(min(i, COLOUR) + 1):
                    for j in range(k, min(i, COLOUR) + 1):
                        band[i - k, p - (j - k)] += weight * colour[k] * colour[j]
        factor_band(band, m, p)
        solve_band(band, m, p, d)
        for i in range(m):
            working[start + i] = observed[start + i] - d[i]
        invert_band(band, m, p, upper, spread)
        if trip + 1 == rounds:
            break
        fit_colour(d, spread, s2, variance, trip > 0, colour)
        sums[0] = 0.0
        doubt[0] = 0.0
        for i in range(m):
            moment, unsure = 0.0, 0.0
            for k in range(min(i, COLOUR) + 1):
                for j in range(min(i, COLOUR) + 1):
                    both = colour[k] * colour[j]
                    moment += both * d[i - k] * d[i - j]
                    unsure += both * s2 * spread[min(i - k, i - j), abs(k - j)]
            sums[i + 1] = sums[i] + max(0.0, moment + unsure)
            doubt[i + 1] = doubt[i] + max(0.0, unsure)
        for i in range(m):
            first, last = max(0, i - smooth), min(m, i + smooth + 1)
            mean = (sums[last] - sums[first]) / (last - first)
            if trip == 0:
                unsure = (doubt[last] - doubt[first]) / (last - first)
                mean = max(mean - 2.0 * unsure, 0.1 * unsure)
            variance[i] = mean + 1e-6 * s2
    explained, size, unsure = 0.0, 0.0, 0.0
    for i in range(m):
        explained += d[i] * pull[i]
        size += d[i] * d[i]
        unsure += s2 * spread[i, 0]
    result[0] = s2
    result[1] = explained / (s2 * m)
    result[2] = unsure / (size + unsure + TINY)


@kernel
def fit_colour(
    d: Vector, spread: Matrix, s2: float, variance: Vector, weighted: bool, colour: Vector
) -> None:
    """The disturbance's own two-tap predictor from its posterior moments, by weighted least squares."""
    r11, r12, r22, b1, b2 = TINY, 0.0, TINY, 0.0, 0.0
    for i in range(1, d.shape[0]):
        weight = 1.0 / variance[i] if weighted else 1.0
        r11 += weight * (d[i - 1] * d[i - 1] + s2 * spread[i - 1, 0])
        b1 += weight * (d[i] * d[i - 1] + s2 * spread[i - 1, 1])
        if i > 1:
            r12 += weight * (d[i - 1] * d[i - 2] + s2 * spread[i - 2, 1])
            r22 += weight * (d[i - 2] * d[i - 2] + s2 * spread[i - 2, 0])
            b2 += weight * (d[i] * d[i - 2] + s2 * spread[i - 2, 2])
    # a prior of white worth a few frames: short pulses cannot tell their colour
    ridge = (0.01 + WHITE_FRAMES / d.shape[0]) * 0.5 * (r11 + r22)
    r11 += ridge
    r22 += ridge
    determinant = r11 * r22 - r12 * r12
    colour[1] = -(b1 * r22 - b2 * r12) / determinant
    colour[2] = -(b2 * r11 - b1 * r12) / determinant


@kernel
def estimate_spans(
    observed: Vector,
    working: Vector,
    spans: NDArray[np.int64],
    count: int,
    context: int,
    order: int,
    rounds: int,
    rate_factor: int,
    explained: Vector,
) -> None:
    """``estimate_span`` for rows (first, last + 1) in order; ``explained[i]`` gets the evidence of each, in nats."""
    result = np.empty(3)
    for i in range(count):
        first, last = spans[i, 0], spans[i, 1]
        smooth = min(8 * rate_factor, max(2 * rate_factor, (last - first) // 6))
        estimate_span(observed, working, first, last, context, order, rounds, smooth, result)
        explained[i] = 0.5 * result[1] * (last - first)
