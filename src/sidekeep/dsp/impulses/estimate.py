"""What a damaged span held: the disturbance is weighed, not replaced.

Conventions: planes are (channels, frames), one or two channels, contiguous float64; ``observed`` y is the take, ``working`` x the
mended take so far. In the span y = x + g w: what a particle or a scratch does to the walls is one waveform w at a gain of its own
on each (one wall: a gain of zero; vertical movement: opposite signs). The music x is autoregressive in each of its parts (see
``music_parts``); w is an autoregressive pulse of order ``COLOUR`` whose innovations have their own variance v(n), zero outside
the span. Given all of that the estimate is the posterior mean: it solves
``(sum_c g_c^2 A_c'A_c / s2_c + D' V^-1 D) w = sum_c g_c A_c'A_c y_c / s2_c`` over the span. All of it is learnt from the span
by expectation-maximisation (Dempster, Laird & Rubin, J. Royal Stat. Soc. B 39(1), 1977, from memory), round by round:

1. ``learn_part``: each part's predictor and innovation variance, from context and estimate together, and its pull on w;
2. ``learn_gains``: the walls' gains, given the waveform;
3. ``weigh``: mean and spread of w, given all else;
4. ``learn_pulse``: D, and v from locally averaged second moments (the mean squared plus the spread).

The rounds end early where one more changes next to nothing (``SETTLED``).

Filling without weighing (v infinite: the first round) is the classic least-squares estimate (Godsill & Rayner, *Digital
Audio Restoration*, 1998, chapter 5; iterated re-estimation: Janssen, Veldhuis, Vries, IEEE TASSP 34(2), 1986).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import (
    Matrix,
    Vector,
    factor_band,
    invert_band,
    levinson,
    model_correlation,
    solve_band,
)
from sidekeep.dsp.impulses.music_parts import half_window, rotated, split_music
from sidekeep.dsp.kernel import inner_kernel, kernel

COLOUR = 2
"""Order of the disturbance's own model."""
WHITE_FRAMES = 6.0
"""Frames' worth of belief that the disturbance is white: a short one cannot tell its colour."""
TINY = 1e-30
HURRY = 0.7
"""Power of its own step by which a variance goes on in the same direction: half the rounds for the same end."""
SETTLED = 1e-4
"""The rounds end when what is taken out changes by less than this share of the variance that it is left with by all that is
known: the error cannot tell."""
LEAST_GAIN = 0.12
"""A wall with less of the pulse than this is left alone: it is crosstalk."""


@kernel
def estimate_spans(
    observed: Matrix,
    working: Matrix,
    spans: NDArray[np.int64],
    context: int,
    order: int,
    rounds: int,
    rate_factor: int,
    explained: Vector,
) -> None:
    """``estimate_span`` for rows (first, last + 1) in order, of so many ``rounds`` at most; ``explained[i]`` gets the evidence of
    each, in nats.

    The gains of two walls are learnt, from a first guess by what stands out; a wall without damage stays as it is.
    """
    channels = observed.shape[0]
    gains = np.ones(channels)
    fade = half_window(context)
    for i in range(spans.shape[0]):
        first, last = spans[i, 0], spans[i, 1]
        smooth = min(8 * rate_factor, max(2 * rate_factor, (last - first) // 6))
        if channels == 2:
            guess_gains(observed, first, last, gains)
        explained[i] = estimate_span(
            observed, working, first, last, fade, order, rounds, smooth, gains, channels == 2
        )


@inner_kernel
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


@inner_kernel
def estimate_span(
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

    ``fade`` are the weights of the context (``half_window``), ``smooth`` the half width, in frames, over which the disturbance's
    variance is averaged, ``gains`` (channels,) those of the walls; with ``free`` they are a first guess and are learnt.
    """
    channels, m, p = observed.shape[0], stop - start, order
    fixed, taps = np.empty((channels, p + 1)), np.empty((channels, p + 1))
    powers = np.empty(channels)
    cosine, sine, share = split_music(working, start, stop, fade, p, fixed, taps, powers)
    # the span and what the predictor sees of its surroundings
    head = min(p, start)
    low, high = start - head, stop + min(p, working.shape[1] - stop)
    parts = see_parts(observed, working, low, high, head, m, cosine, sine)
    window = np.ones(high - low)
    for i in range(head):
        window[i] = fade[head - i]
    for i in range(head + m, high - low):
        window[i] = fade[i - head - m + 1]
    rotated_gains = np.ones(channels)
    if channels == 2:
        rotated_gains[0], rotated_gains[1] = rotated(cosine, sine, gains[0], gains[1])
    wave, force = np.zeros(m), np.zeros(m)
    pulls = np.empty((channels, m))
    band, upper, spread = np.empty((m, p + 1)), np.empty((m, p + 1)), np.empty((m, p + 1))
    variance = np.empty(m)
    colour = np.zeros(COLOUR + 1)
    colour[0] = 1.0
    before = np.zeros((channels, m))
    for trip in range(rounds):
        for c in range(channels):
            powers[c] = learn_part(
                parts[c], window, head, fixed[c], share, wave, spread, rotated_gains[c], trip > 0, taps[c]
            )
            pull_of(parts[c], head, taps[c], powers[c], pulls[c])
        if free and trip > 1:
            learn_gains(wave, spread, pulls, taps, powers, cosine, sine, gains, rotated_gains)
        weigh(pulls, taps, powers, rotated_gains, variance, colour, trip > 0, force, band, wave)
        if trip + 1 == rounds or (trip > 1 and has_settled(wave, gains, spread, before)):
            break
        for c in range(channels):
            for i in range(m):
                before[c, i] = gains[c] * wave[i]
        invert_band(band, m, p, upper, spread)
        learn_pulse(wave, spread, smooth, trip, colour, variance)
    explained = 0.0
    for i in range(m):
        explained += 0.5 * wave[i] * force[i]
        for c in range(channels):
            working[c, start + i] = observed[c, start + i] - gains[c] * wave[i]
    return explained


@inner_kernel
def see_parts(
    observed: Matrix, working: Matrix, low: int, high: int, head: int, m: int, cosine: float, sine: float
) -> Matrix:
    """The parts (channels, high - low) of the take as it is in the span and as it is mended round it."""
    channels = observed.shape[0]
    parts = np.empty((channels, high - low))
    for i in range(high - low):
        source = observed if head <= i < head + m else working
        if channels == 1:
            parts[0, i] = source[0, low + i]
        else:
            parts[0, i], parts[1, i] = rotated(cosine, sine, source[0, low + i], source[1, low + i])
    return parts


@inner_kernel
def learn_part(
    part: Vector,
    window: Vector,
    head: int,
    fixed: Vector,
    share: float,
    wave: Vector,
    spread: Matrix,
    gain: float,
    known: bool,
    taps: Vector,
) -> float:
    """``taps`` of A'A and the innovation variance of one part of the music.

    From the correlations ``fixed`` of the frames outside, whose squared weights sum to ``share``, and, once the waveform is
    ``known``, from what is left of the span when it is taken out.
    """
    n, m, p = part.shape[0], wave.shape[0], taps.shape[0] - 1
    tail = head + m
    correlation, model, scratch = fixed.copy(), np.empty(p + 1), np.empty(p + 1)
    if known:
        estimate = part * window
        for i in range(m):
            estimate[head + i] = (part[head + i] - gain * wave[i]) * window[head + i]
        for k in range(p + 1):
            total = 0.0
            # pairs that touch the span: with their second frame, with their first
            for i in range(max(0, head - k), min(head, tail - k)):
                total += estimate[i] * estimate[i + k]
            for i in range(head, min(tail, n - k)):
                total += estimate[i] * estimate[i + k]
            unsure = 0.0
            for i in range(m - k):
                unsure += spread[i, k] * window[head + i] * window[head + i + k]
            correlation[k] += total + gain * gain * unsure
        share += m
    power = levinson(correlation, p, model, scratch)
    model_correlation(model, p, taps)
    return power / share + TINY


@inner_kernel
def pull_of(part: Vector, head: int, taps: Vector, power: float, pull: Vector) -> None:
    """A'A y / s2 in the span: the two-sided error of one part in units of its innovation variance."""
    n, p = part.shape[0], taps.shape[0] - 1
    for i in range(pull.shape[0]):
        at = head + i
        total = taps[0] * part[at]
        for k in range(1, p + 1):
            if at - k >= 0:
                total += taps[k] * part[at - k]
            if at + k < n:
                total += taps[k] * part[at + k]
        pull[i] = total / power


@inner_kernel
def learn_gains(
    wave: Vector,
    spread: Matrix,
    pulls: Matrix,
    taps: Matrix,
    powers: Vector,
    cosine: float,
    sine: float,
    gains: Vector,
    rotated_gains: Vector,
) -> None:
    """The likeliest gain of each of two parts given the waveform, as gains of the walls; the larger is 1."""
    m, p = wave.shape[0], taps.shape[1] - 1
    for c in range(2):
        across, along = 0.0, TINY
        for i in range(m):
            across += wave[i] * pulls[c, i]
            along += taps[c, 0] * (wave[i] * wave[i] + spread[i, 0]) / powers[c]
            for k in range(1, min(p, m - 1 - i) + 1):
                along += 2.0 * taps[c, k] * (wave[i] * wave[i + k] + spread[i, k]) / powers[c]
        rotated_gains[c] = across / along
    a, b = rotated(cosine, -sine, rotated_gains[0], rotated_gains[1])
    most = max(abs(a), abs(b))
    if most > 0.0:
        a, b = a / most, b / most
        gains[0] = 0.0 if abs(a) < LEAST_GAIN else a
        gains[1] = 0.0 if abs(b) < LEAST_GAIN else b
    rotated_gains[0], rotated_gains[1] = rotated(cosine, sine, gains[0], gains[1])


@inner_kernel
def weigh(
    pulls: Matrix,
    taps: Matrix,
    powers: Vector,
    rotated_gains: Vector,
    variance: Vector,
    colour: Vector,
    weighed: bool,
    force: Vector,
    band: Matrix,
    wave: Vector,
) -> None:
    """Posterior mean ``wave`` of the waveform; filling unless ``weighed``.

    ``force`` is the right side of the equation in the module's head; ``band`` gets the factor of its left side, whose inverse
    is the waveform's covariance.
    """
    m, p = wave.shape[0], taps.shape[1] - 1
    row = np.zeros(p + 1)
    force[:] = 0.0
    for c in range(taps.shape[0]):
        worth = rotated_gains[c] * rotated_gains[c] / powers[c]
        for k in range(p + 1):
            row[k] += worth * taps[c, k]
        for i in range(m):
            force[i] += rotated_gains[c] * pulls[c, i]
    band[:] = 0.0
    for i in range(m):
        wave[i] = force[i]
        for k in range(min(i, p) + 1):
            band[i, p - k] = row[k]
        band[i, p] *= 1.0 + 1e-9
    if weighed:
        for i in range(m):
            weight = 1.0 / variance[i]
            for k in range(min(i, COLOUR) + 1):
                for j in range(k, min(i, COLOUR) + 1):
                    band[i - k, p - (j - k)] += weight * colour[k] * colour[j]
    factor_band(band, m, p)
    solve_band(band, m, p, wave)


@inner_kernel
def has_settled(wave: Vector, gains: Vector, spread: Matrix, before: Matrix) -> bool:
    """Whether what is taken out of the channels is what it was ``before``, by the measure of how unsure it is."""
    changed, unsure, walls = 0.0, 0.0, 0.0
    for c in range(gains.shape[0]):
        walls += gains[c] * gains[c]
        for i in range(wave.shape[0]):
            changed += (gains[c] * wave[i] - before[c, i]) ** 2
    for i in range(wave.shape[0]):
        unsure += spread[i, 0]
    return changed <= SETTLED * walls * unsure


@inner_kernel
def learn_pulse(
    wave: Vector, spread: Matrix, smooth: int, trip: int, colour: Vector, variance: Vector
) -> None:
    """The disturbance's ``colour`` and the ``variance`` of its innovations, frame by frame, from its posterior moments."""
    m = wave.shape[0]
    fit_colour(wave, spread, variance, trip > 0, colour)
    sums, doubts = np.zeros(m + 1), np.zeros(m + 1)
    for i in range(m):
        moment, unsure = 0.0, 0.0
        for k in range(min(i, COLOUR) + 1):
            for j in range(min(i, COLOUR) + 1):
                both = colour[k] * colour[j]
                moment += both * wave[i - k] * wave[i - j]
                unsure += both * spread[min(i - k, i - j), abs(k - j)]
        sums[i + 1] = sums[i] + max(0.0, moment + unsure)
        doubts[i + 1] = doubts[i] + max(0.0, unsure)
    for i in range(m):
        begin, end = max(0, i - smooth), min(m, i + smooth + 1)
        mean = (sums[end] - sums[begin]) / (end - begin)
        unsure = (doubts[end] - doubts[begin]) / (end - begin)
        if trip == 0:
            # the filling is as uncertain as it is large: what it is over that says where the pulse is
            mean = max(mean - 2.0 * unsure, 0.1 * unsure)
        mean += 1e-6 * unsure + TINY
        if trip > 0:
            # a longer step the same way: the plain step is a small one
            ratio = mean / variance[i]
            mean *= min(4.0, max(0.25, ratio**HURRY))
        variance[i] = mean


@inner_kernel
def fit_colour(wave: Vector, spread: Matrix, variance: Vector, weighted: bool, colour: Vector) -> None:
    """The disturbance's own two-tap predictor from its posterior moments, by weighted least squares."""
    r11, r12, r22, b1, b2 = TINY, 0.0, TINY, 0.0, 0.0
    for i in range(1, wave.shape[0]):
        weight = 1.0 / variance[i] if weighted else 1.0
        r11 += weight * (wave[i - 1] * wave[i - 1] + spread[i - 1, 0])
        b1 += weight * (wave[i] * wave[i - 1] + spread[i - 1, 1])
        if i > 1:
            r12 += weight * (wave[i - 1] * wave[i - 2] + spread[i - 2, 1])
            r22 += weight * (wave[i - 2] * wave[i - 2] + spread[i - 2, 0])
            b2 += weight * (wave[i] * wave[i - 2] + spread[i - 2, 2])
    # a prior of white worth a few frames: short pulses cannot tell their colour
    ridge = (0.01 + WHITE_FRAMES / wave.shape[0]) * 0.5 * (r11 + r22)
    r11 += ridge
    r22 += ridge
    determinant = r11 * r22 - r12 * r12
    colour[1] = -(b1 * r22 - b2 * r12) / determinant
    colour[2] = -(b2 * r11 - b1 * r12) / determinant
