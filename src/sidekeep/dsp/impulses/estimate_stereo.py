"""The estimate for two channels at once: one pulse, two walls.

Conventions: as in ``dsp.impulses.estimate_mono``. What a particle or a scratch does to the two channels is one waveform w at two
gains: ``d_L = g_L w``, ``d_R = g_R w`` (one wall: a gain of zero; vertical movement: opposite signs). The music is
rotated by an angle into two components that are predicted separately, for example sum and difference; the
angle is the one that leaves least to predict. Then the precision of w is the sum over components of
``g_c^2 A_c'A_c / s2_c``: a click on one wall is seen against what the other wall cannot explain, and a vertical click
against the difference of the channels, where a record has little music.
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
from sidekeep.dsp.impulses.estimate_mono import COLOUR, TINY, fit_colour
from sidekeep.dsp.kernel import kernel

HURRY = 0.7
"""Power of its own step by which a variance goes on in the same direction: half the rounds for the same end."""
LEAST_GAIN = 0.12
"""A wall with less of the pulse than this is left alone: it is crosstalk."""


@kernel
def half_window(context: int) -> Vector:
    """Weights of the frames 0, 1, ... ``context`` away from a span: the falling half of a Hann window."""
    fade = np.empty(context + 1)
    for i in range(context + 1):
        fade[i] = 0.5 + 0.5 * math.cos(math.pi * i / (context + 1))
    return fade


@kernel
def split_music(
    working: Matrix,
    start: int,
    stop: int,
    fade: Vector,
    order: int,
    correlations: Matrix,
    models: Matrix,
    powers: Vector,
) -> tuple[float, float, float]:
    """The music around ``[start, stop)``, rotated into the two components that leave least to predict.

    ``fade`` are the weights of ``half_window``, one for each frame of context. Fills each component's windowed
    correlations, predictor and innovation power, all of the frames outside; gives the cosine and sine of the rotation and
    the sum of the squared weights outside. One channel is one component.
    """
    channels = working.shape[0]
    low = max(0, start - fade.shape[0] + 1)
    high = min(working.shape[1], stop + fade.shape[0] - 1)
    n = high - low
    plain = np.empty((channels, n))
    share = 0.0
    for i in range(start - low):
        share += fade[start - low - i] * fade[start - low - i]
    for i in range(high - stop):
        share += fade[i + 1] * fade[i + 1]
    for channel in range(channels):
        for i in range(start - low):
            plain[channel, i] = working[channel, low + i] * fade[start - low - i]
        plain[channel, start - low : stop - low] = 0.0
        for i in range(high - stop):
            plain[channel, stop - low + i] = working[channel, stop + i] * fade[i + 1]
    scratch = np.empty(order + 1)
    own = np.empty((2, order + 1))
    autocorrelate(plain[0], order, own[0])
    if channels == 1:
        correlations[0] = own[0]
        correlations[0, 0] += n * 1e-12
        powers[0] = levinson(correlations[0], order, models[0], scratch)
        return 1.0, 0.0, share
    autocorrelate(plain[1], order, own[1])
    both = np.empty(order + 1)
    autocorrelate(plain[0] + plain[1], order, both)
    trial = np.empty((2, order + 1))
    model = np.empty((2, order + 1))
    best = 1e300
    cosine, sine = 1.0, 0.0
    for step in range(2):
        # the channels themselves, and their sum and difference; angles in between were tried and gained nothing
        c = 1.0 if step == 0 else math.sqrt(0.5)
        s = 0.0 if step == 0 else math.sqrt(0.5)
        for k in range(order + 1):
            mixed = c * s * (both[k] - own[0, k] - own[1, k])
            trial[0, k] = c * c * own[0, k] + s * s * own[1, k] + mixed
            trial[1, k] = s * s * own[0, k] + c * c * own[1, k] - mixed
        trial[0, 0] += n * 1e-12
        trial[1, 0] += n * 1e-12
        one = levinson(trial[0], order, model[0], scratch)
        two = levinson(trial[1], order, model[1], scratch)
        total = math.log(one) + math.log(two)
        if total < best - 1e-9:
            best, cosine, sine = total, c, s
            correlations[:] = trial
            models[:] = model
            powers[0], powers[1] = one, two
    return cosine, sine, share


@kernel
def estimate_pair(
    observed: Matrix,
    working: Matrix,
    start: int,
    stop: int,
    fade: Vector,
    order: int,
    rounds: int,
    smooth: int,
    gains: Vector,
    free: bool,
) -> float:
    """Write the estimate of ``[start, stop)`` into ``working``; the evidence in nats is returned.

    ``gains`` (2,) are those of the walls; with ``free`` they are a first guess and are learnt.
    """
    m = stop - start
    p = order
    fixed = np.empty((2, p + 1))
    model = np.empty((2, p + 1))
    s2 = np.empty(2)
    cosine, sine, share = split_music(working, start, stop, fade, p, fixed, model, s2)
    # the span and what the predictor sees of its surroundings
    head = min(p, start)
    n = head + m + min(p, working.shape[1] - stop)
    tail = head + m
    low = start - head
    window = np.ones(n)
    for i in range(head):
        window[i] = fade[head - i]
    for i in range(tail, n):
        window[i] = fade[i - tail + 1]
    whole = share + m
    scratch = np.empty(p + 1)
    z = np.empty((2, n))
    for i in range(n):
        at = low + i
        inside = head <= i < tail
        a = observed[0, at] if inside else working[0, at]
        b = observed[1, at] if inside else working[1, at]
        z[0, i] = cosine * a + sine * b
        z[1, i] = cosine * b - sine * a
    part_gains = np.empty(2)
    part_gains[0] = cosine * gains[0] + sine * gains[1]
    part_gains[1] = cosine * gains[1] - sine * gains[0]
    correlation = np.empty(p + 1)
    taps = np.empty((2, p + 1))
    w = np.zeros(m)
    estimate = np.empty(n)
    pull = np.empty((2, m))
    force = np.empty(m)
    band = np.empty((m, p + 1))
    upper = np.empty((m, p + 1))
    spread = np.empty((m, p + 1))
    variance = np.empty(m)
    sums = np.empty(m + 1)
    doubt = np.empty(m + 1)
    colour = np.zeros(COLOUR + 1)
    colour[0] = 1.0
    for trip in range(rounds):
        for part in range(2):
            gain = part_gains[part]
            for k in range(p + 1):
                correlation[k] = fixed[part, k]
            if trip > 0:
                for i in range(n):
                    estimate[i] = z[part, i] * window[i]
                for i in range(m):
                    estimate[head + i] = (z[part, head + i] - gain * w[i]) * window[head + i]
                for k in range(p + 1):
                    total = 0.0
                    for i in range(max(0, head - k), min(tail, n - k)):
                        if i >= head or i + k < tail:
                            total += estimate[i] * estimate[i + k]
                    extra = 0.0
                    for i in range(m - k):
                        extra += spread[i, k] * window[head + i] * window[head + i + k]
                    correlation[k] += total + gain * gain * extra
            power = levinson(correlation, p, model[part], scratch)
            model_correlation(model[part], p, taps[part])
            s2[part] = power / (whole if trip > 0 else share) + TINY
            for i in range(m):
                at = head + i
                total = taps[part, 0] * z[part, at]
                for k in range(1, p + 1):
                    if at - k >= 0:
                        total += taps[part, k] * z[part, at - k]
                    if at + k < n:
                        total += taps[part, k] * z[part, at + k]
                pull[part, i] = total / s2[part]
        if free and trip > 1:
            # the gain of each component, given the waveform
            for part in range(2):
                across, along = 0.0, TINY
                for i in range(m):
                    across += w[i] * pull[part, i]
                    along += taps[part, 0] * (w[i] * w[i] + spread[i, 0]) / s2[part]
                    for k in range(1, min(p, m - 1 - i) + 1):
                        along += 2.0 * taps[part, k] * (w[i] * w[i + k] + spread[i, k]) / s2[part]
                part_gains[part] = across / along
            a = cosine * part_gains[0] - sine * part_gains[1]
            b = sine * part_gains[0] + cosine * part_gains[1]
            most = max(abs(a), abs(b))
            if most > 0.0:
                a, b = a / most, b / most
                a = 0.0 if abs(a) < LEAST_GAIN else a
                b = 0.0 if abs(b) < LEAST_GAIN else b
                gains[0], gains[1] = a, b
            part_gains[0] = cosine * gains[0] + sine * gains[1]
            part_gains[1] = cosine * gains[1] - sine * gains[0]
        first = part_gains[0] * part_gains[0] / s2[0]
        second = part_gains[1] * part_gains[1] / s2[1]
        for i in range(m):
            force[i] = part_gains[0] * pull[0, i] + part_gains[1] * pull[1, i]
            w[i] = force[i]
            for k in range(p + 1):
                band[i, k] = 0.0
            for k in range(min(i, p) + 1):
                band[i, p - k] = first * taps[0, k] + second * taps[1, k]
            band[i, p] *= 1.0 + 1e-9
        if trip > 0:
            for i in range(m):
                weight = 1.0 / variance[i]
                for k in range(min(i, COLOUR) + 1):
                    for j in range(k, min(i, COLOUR) + 1):
                        band[i - k, p - (j - k)] += weight * colour[k] * colour[j]
        factor_band(band, m, p)
        solve_band(band, m, p, w)
        invert_band(band, m, p, upper, spread)
        if trip + 1 == rounds:
            break
        fit_colour(w, spread, 1.0, variance, trip > 0, colour)
        sums[0] = 0.0
        doubt[0] = 0.0
        for i in range(m):
            moment, unsure = 0.0, 0.0
            for k in range(min(i, COLOUR) + 1):
                for j in range(min(i, COLOUR) + 1):
                    both = colour[k] * colour[j]
                    moment += both * w[i - k] * w[i - j]
                    unsure += both * spread[min(i - k, i - j), abs(k - j)]
            sums[i + 1] = sums[i] + max(0.0, moment + unsure)
            doubt[i + 1] = doubt[i] + max(0.0, unsure)
        for i in range(m):
            begin, end = max(0, i - smooth), min(m, i + smooth + 1)
            mean = (sums[end] - sums[begin]) / (end - begin)
            unsure = (doubt[end] - doubt[begin]) / (end - begin)
            if trip == 0:
                mean = max(mean - 2.0 * unsure, 0.1 * unsure)
            mean += 1e-6 * unsure + TINY
            if trip > 0:
                # a longer step the same way: the plain step is a small one
                ratio = mean / variance[i]
                mean *= min(4.0, max(0.25, ratio**HURRY))
            variance[i] = mean
    explained = 0.0
    for i in range(m):
        explained += 0.5 * w[i] * force[i]
        working[0, start + i] = observed[0, start + i] - gains[0] * w[i]
        working[1, start + i] = observed[1, start + i] - gains[1] * w[i]
    return explained


@kernel
def estimate_pairs(
    observed: Matrix,
    working: Matrix,
    spans: NDArray[np.int64],
    context: int,
    order: int,
    rounds: int,
    rate_factor: int,
    explained: Vector,
) -> None:
    """``estimate_pair`` for rows (first, last + 1) in order; ``observed`` and ``working`` are (2, frames).

    The gains of the walls are learnt, from a first guess by what stands out; a wall without damage stays as it is.
    """
    gains = np.empty(2)
    fade = half_window(context)
    for i in range(spans.shape[0]):
        first, last = spans[i, 0], spans[i, 1]
        smooth = min(8 * rate_factor, max(2 * rate_factor, (last - first) // 6))
        guess_gains(observed, first, last, gains)
        explained[i] = estimate_pair(observed, working, first, last, fade, order, rounds, smooth, gains, True)


@kernel
def guess_gains(observed: Matrix, first: int, last: int, gains: Vector) -> None:
    """Sign and ratio of the pulse on the two walls from its second differences against a straight line's."""
    aa, bb, ab = 1e-30, 1e-30, 0.0
    for n in range(first, last):
        a = observed[0, n] - 2.0 * observed[0, n - 1] + observed[0, n - 2]
        b = observed[1, n] - 2.0 * observed[1, n - 1] + observed[1, n - 2]
        aa += a * a
        bb += b * b
        ab += a * b
    ratio = math.sqrt(bb / aa)
    sign = -1.0 if ab < 0.0 else 1.0
    gains[0] = min(1.0, 1.0 / ratio)
    gains[1] = sign * min(1.0, ratio)
