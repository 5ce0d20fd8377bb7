"""What a damaged span held: the disturbance is weighed, not replaced.

Conventions: planes are (channels, frames), one or two channels, contiguous float64; ``observed`` y is the take, ``working`` x the
mended take so far. In the span y = x + g w: what a particle or a scratch does to the walls is one waveform w at a gain of its own
on each (one wall: a gain of zero; vertical movement: opposite signs). The music x is autoregressive in each of its parts (see
``music_parts``); w is an autoregressive pulse of order ``COLOUR`` whose innovations have their own variance v(n), zero outside
the span. Given all of that the estimate is the posterior mean: it solves
``(sum_c g_c^2 A_c'A_c / s2_c + D' V^-1 D) w = sum_c g_c A_c'A_c y_c / s2_c`` over the span. All of it is learnt from the span
by expectation-maximisation (Dempster, Laird & Rubin, J. Royal Stat. Soc. B 39(1), 1977, from memory), round by round:

1. ``learn_part``: each part's predictor and innovation variance, from context and estimate together, and its pull on w
   (``LEARNT``: not in every round);
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
from sidekeep.dsp.impulses.candidates import filter_ahead
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
LEARNT, LEARNT_LAST = 3, 4
"""The predictors of the music are learnt anew in the rounds before the first and in the second: from then on they stay, for what
is taken out moves on while they hardly do."""
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
def likelier_turned(
    pulls: Matrix, taps: Matrix, powers: Vector, cosine: float, sine: float, gains: Vector
) -> bool:
    """Whether a pulse turned over on the second wall is the likelier one, by what the predictors of the parts cannot explain.

    Music that is much the same on both walls may have told the sign of a first guess. Of white errors e, with inverse variances
    a, a pulse at gains g explains (sum of g e) squared over the sum of g^2 a.
    """
    told = np.zeros(2)
    for turned in range(2):
        a, b = rotated(cosine, sine, gains[0], -gains[1] if turned else gains[1])
        for i in range(pulls.shape[1]):
            told[turned] += (a * pulls[0, i] + b * pulls[1, i]) ** 2
        told[turned] /= a * a * taps[0, 0] / powers[0] + b * b * taps[1, 0] / powers[1]
    return bool(told[1] > told[0])


@inner_kernel
def choose_sign(
    pulls: Matrix,
    taps: Matrix,
    powers: Vector,
    cosine: float,
    sine: float,
    variance: Vector,
    colour: Vector,
    force: Vector,
    band: Matrix,
    wave: Vector,
    gains: Vector,
    rotated_gains: Vector,
) -> None:
    """Keep the sign of the second wall's gain with which filling explains most; the last six as in ``weigh``, written anew."""
    guess, best, chosen = gains[1], -1.0, gains[1]
    for turned in range(2):
        gains[1] = -guess if turned else guess
        rotated_gains[0], rotated_gains[1] = rotated(cosine, sine, gains[0], gains[1])
        weigh(pulls, taps, powers, rotated_gains, variance, colour, False, force, band, wave)
        told = 0.0
        for i in range(wave.shape[0]):
            told += wave[i] * force[i]
        if told > best:
            best, chosen = told, gains[1]
    gains[1] = chosen
    rotated_gains[0], rotated_gains[1] = rotated(cosine, sine, gains[0], gains[1])


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
    fixed, models = np.empty((channels, p + 1)), np.empty((channels, p + 1))
    taps, powers = np.empty((channels, p + 1)), np.empty(channels)
    cosine, sine, share = split_music(working, start, stop, fade, p, fixed, models, powers)
    parts = see_parts(observed, working, start, stop, p, cosine, sine)
    around, mirror = fade_parts(parts, fade, p)
    rotated_gains = np.ones(channels)
    if channels == 2:
        rotated_gains[0], rotated_gains[1] = rotated(cosine, sine, gains[0], gains[1])
    wave, force, variance = np.zeros(m), np.zeros(m), np.empty(m)
    pulls, before = np.empty((channels, m)), np.zeros((channels, m))
    band, spread = np.empty((m, p + 1)), np.zeros((m, 2 * p + 1))
    unsure, scratch = np.zeros(p + 1), np.empty((3, 2 * p + 2))
    colour = np.zeros(COLOUR + 1)
    colour[0] = 1.0
    for trip in range(rounds):
        if trip < LEARNT or trip == LEARNT_LAST:
            for c in range(channels):
                if trip == 0:
                    model_correlation(models[c], p, taps[c])
                    powers[c] = powers[c] / share + TINY
                else:
                    fill_in(parts[c], wave, rotated_gains[c], around[c])
                    powers[c] = learn_part(
                        around[c], mirror[c], fixed[c], share, unsure, rotated_gains[c], taps[c], scratch
                    )
                pull_of(parts[c], taps[c], powers[c], pulls[c], scratch[0])
        if free and trip == 0 and likelier_turned(pulls, taps, powers, cosine, sine, gains):
            choose_sign(
                pulls, taps, powers, cosine, sine, variance, colour, force, band, wave, gains, rotated_gains
            )
        if free and trip > 1:
            learn_gains(wave, unsure, pulls, taps, powers, cosine, sine, gains, rotated_gains)
        weigh(pulls, taps, powers, rotated_gains, variance, colour, trip > 0, force, band, wave)
        if trip + 1 == rounds or (trip > 1 and has_settled(wave, gains, unsure[0], before)):
            break
        for c in range(channels):
            for i in range(m):
                before[c, i] = gains[c] * wave[i]
        invert_band(band, m, p, spread)
        sum_spread(spread, unsure)
        learn_pulse(wave, spread, smooth, trip, colour, variance)
    explained = 0.0
    for i in range(m):
        explained += 0.5 * wave[i] * force[i]
        for c in range(channels):
            working[c, start + i] = observed[c, start + i] - gains[c] * wave[i]
    return explained


@inner_kernel
def see_parts(
    observed: Matrix, working: Matrix, start: int, stop: int, order: int, cosine: float, sine: float
) -> Matrix:
    """The parts (channels, stop - start + 2 order) of the take as it is in the span and as it is mended round it.

    Off the ends of the take they are 0.
    """
    channels, length = observed.shape
    low = start - order
    parts = np.zeros((channels, stop + order - low))
    for at in range(max(0, low), min(length, stop + order)):
        inside = start <= at < stop
        left = observed[0, at] if inside else working[0, at]
        if channels == 1:
            parts[0, at - low] = left
        else:
            right = observed[1, at] if inside else working[1, at]
            parts[0, at - low], parts[1, at - low] = rotated(cosine, sine, left, right)
    return parts


@inner_kernel
def fade_parts(parts: Matrix, fade: Vector, order: int) -> tuple[Matrix, Matrix]:
    """The parts round the span by the weights of the context, with silence in the span; and the same read backwards."""
    channels, n = parts.shape
    around, mirror = np.zeros((channels, n)), np.zeros((channels, n))
    for c in range(channels):
        for i in range(order):
            around[c, i] = parts[c, i] * fade[order - i]
            around[c, n - 1 - i] = parts[c, n - 1 - i] * fade[order - i]
            mirror[c, n - 1 - i] = around[c, i]
            mirror[c, i] = around[c, n - 1 - i]
    return around, mirror


@inner_kernel
def fill_in(part: Vector, wave: Vector, gain: float, around: Vector) -> None:
    """What is left of the span, when the waveform is taken out, between its faded surroundings."""
    order = (part.shape[0] - wave.shape[0]) // 2
    for i in range(wave.shape[0]):
        around[order + i] = part[order + i] - gain * wave[i]


@inner_kernel
def learn_part(
    around: Vector,
    mirror: Vector,
    fixed: Vector,
    share: float,
    unsure: Vector,
    gain: float,
    taps: Vector,
    scratch: Matrix,
) -> float:
    """``taps`` of A'A and the innovation variance of one part of the music.

    From the correlations ``fixed`` of the frames outside, whose squared weights sum to ``share``, and from what is left of the
    frames of the span when the waveform is taken out: ``around`` (``fill_in``), ``mirror`` its surroundings alone and backwards,
    ``unsure`` the sums of the waveform's covariance. ``scratch``: (3, 2 order + 2).
    """
    p = taps.shape[0] - 1
    m = around.shape[0] - 2 * p
    correlation, model = scratch[0], scratch[1]
    for k in range(p + 1):
        correlation[k] = fixed[k] + gain * gain * unsure[k]
    # pairs that touch the span: with a frame of it first, and with one of it after a frame before it
    for i in range(m):
        here, ahead = around[p + i], around[p + i : 2 * p + i + 1]
        behind = mirror[p + m - 1 - i : 2 * p + m - i]
        for k in range(p + 1):
            correlation[k] += here * (ahead[k] + behind[k])
    power = levinson(correlation, p, model, scratch[2])
    model_correlation(model, p, taps)
    return power / (share + m) + TINY


@inner_kernel
def pull_of(part: Vector, taps: Vector, power: float, pull: Vector, scratch: Vector) -> None:
    """A'A y / s2 in the span: the two-sided error of one part in units of its innovation variance; ``scratch``: 2 order + 2."""
    p = taps.shape[0] - 1
    both = scratch[: 2 * p + 1]
    for k in range(p + 1):
        both[p - k] = taps[k] / power
        both[p + k] = taps[k] / power
    filter_ahead(part, pull.shape[0], both, pull)


@inner_kernel
def sum_spread(spread: Matrix, unsure: Vector) -> None:
    """``unsure[k]`` gets the sum of the covariances of frames that lie k apart (``spread`` as ``invert_band`` gives it)."""
    p = unsure.shape[0] - 1
    for k in range(p + 1):
        unsure[k] = 0.0
    for i in range(spread.shape[0]):
        row = spread[i, p:]
        for k in range(p + 1):
            unsure[k] += row[k]


@inner_kernel
def learn_gains(
    wave: Vector,
    unsure: Vector,
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
    across, along = np.zeros(2), np.full(2, TINY)
    for k in range(min(p, m - 1) + 1):
        moment, ahead = unsure[k], wave[k:]
        for i in range(m - k):
            moment += wave[i] * ahead[i]
        for c in range(2):
            along[c] += (1.0 if k == 0 else 2.0) * taps[c, k] * moment / powers[c]
    for c in range(2):
        for i in range(m):
            across[c] += wave[i] * pulls[c, i]
        rotated_gains[c] = across[c] / along[c]
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
    row[0] *= 1.0 + 1e-9
    for i in range(m):
        wave[i] = force[i]
        line = band[i]
        for k in range(p + 1):
            line[k] = row[k]
    if weighed:
        for i in range(m):
            weight = 1.0 / variance[i]
            for k in range(min(i, COLOUR) + 1):
                for j in range(k, min(i, COLOUR) + 1):
                    band[i - j, j - k] += weight * colour[k] * colour[j]
    factor_band(band, m, p)
    solve_band(band, m, p, wave)


@inner_kernel
def has_settled(wave: Vector, gains: Vector, unsure: float, before: Matrix) -> bool:
    """Whether what is taken out of the channels is what it was ``before``, by the measure of how ``unsure`` it is in all."""
    changed, walls = 0.0, 0.0
    for c in range(gains.shape[0]):
        walls += gains[c] * gains[c]
        for i in range(wave.shape[0]):
            changed += (gains[c] * wave[i] - before[c, i]) ** 2
    return changed <= SETTLED * walls * unsure


@inner_kernel
def learn_pulse(
    wave: Vector, spread: Matrix, smooth: int, trip: int, colour: Vector, variance: Vector
) -> None:
    """The disturbance's ``colour`` and the ``variance`` of its innovations, frame by frame, from its posterior moments."""
    m, p = wave.shape[0], spread.shape[1] // 2
    fit_colour(wave, spread, variance, trip > 0, colour)
    sums, doubts = np.zeros(m + 1), np.zeros(m + 1)
    for i in range(m):
        value, unsure = 0.0, 0.0
        for k in range(min(i, COLOUR) + 1):
            value += colour[k] * wave[i - k]
            for j in range(min(i, COLOUR) + 1):
                unsure += colour[k] * colour[j] * spread[i - k, p + k - j]
        sums[i + 1] = sums[i] + max(0.0, value * value + unsure)
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
    p = spread.shape[1] // 2
    r11, r12, r22, b1, b2 = TINY, 0.0, TINY, 0.0, 0.0
    for i in range(1, wave.shape[0]):
        weight = 1.0 / variance[i] if weighted else 1.0
        r11 += weight * (wave[i - 1] * wave[i - 1] + spread[i - 1, p])
        b1 += weight * (wave[i] * wave[i - 1] + spread[i - 1, p + 1])
        if i > 1:
            r12 += weight * (wave[i - 1] * wave[i - 2] + spread[i - 2, p + 1])
            r22 += weight * (wave[i - 2] * wave[i - 2] + spread[i - 2, p])
            b2 += weight * (wave[i] * wave[i - 2] + spread[i - 2, p + 2])
    # a prior of white worth a few frames: short pulses cannot tell their colour
    ridge = (0.01 + WHITE_FRAMES / wave.shape[0]) * 0.5 * (r11 + r22)
    r11 += ridge
    r22 += ridge
    determinant = r11 * r22 - r12 * r12
    colour[1] = -(b1 * r22 - b2 * r12) / determinant
    colour[2] = -(b2 * r11 - b1 * r12) / determinant
