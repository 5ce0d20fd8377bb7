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
2. ``learn_gains`` (``wall_gains``): the walls' gains, given the waveform;
3. ``weigh`` (``pulse``): mean and spread of w, given all else;
4. ``learn_pulse`` (``pulse``): D, and v from locally averaged second moments (the mean squared plus the spread).

The rounds end early where one more changes next to nothing (``SETTLED``).

Filling without weighing (v infinite: the first round) is the classic least-squares estimate (Godsill & Rayner, *Digital
Audio Restoration*, 1998, chapter 5; iterated re-estimation: Janssen, Veldhuis, Vries, IEEE TASSP 34(2), 1986).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import (
    Matrix,
    Vector,
    invert_band,
    levinson,
    model_correlation,
)
from sidekeep.dsp.impulses.candidates import filter_ahead
from sidekeep.dsp.impulses.music_parts import half_window, rotated, split_music
from sidekeep.dsp.impulses.pulse import COLOUR, TINY, has_settled, learn_pulse, weigh
from sidekeep.dsp.impulses.wall_gains import choose_sign, guess_gains, learn_gains, likelier_turned
from sidekeep.dsp.kernel import borrowed, inner_kernel, kernel

LEARNT, LEARNT_LAST = 3, 4
"""The predictors of the music are learnt anew in rounds 0 to 2, and once more in round 4. After that they stay, for what is taken
out moves on while they hardly do."""


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
    observed, working, spans = borrowed((observed, working, spans))
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
    begin, end = max(0, start - order), min(length, stop + order)
    parts = np.zeros((channels, stop - start + 2 * order))
    for c in range(channels):
        line = parts[c, begin - (start - order) :]
        before, inside, behind = working[c, begin:start], observed[c, start:stop], working[c, stop:end]
        for i in range(before.shape[0]):
            line[i] = before[i]
        line = parts[c, order:]
        for i in range(inside.shape[0]):
            line[i] = inside[i]
        line = parts[c, order + stop - start :]
        for i in range(behind.shape[0]):
            line[i] = behind[i]
    if channels == 2:
        one, two = parts[0], parts[1]
        for i in range(one.shape[0]):
            one[i], two[i] = rotated(cosine, sine, one[i], two[i])
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
    # pairs that touch the span: with a frame of it first, and with one of it after a frame before it; four frames a pass
    i = 0
    while i + 3 < m:
        one, two, three, four = around[p + i], around[p + i + 1], around[p + i + 2], around[p + i + 3]
        ahead, behind = around[p + i :], mirror[p + m - 4 - i :]
        for k in range(p + 1):
            correlation[k] += (
                one * (ahead[k] + behind[k + 3])
                + two * (ahead[k + 1] + behind[k + 2])
                + three * (ahead[k + 2] + behind[k + 1])
                + four * (ahead[k + 3] + behind[k])
            )
        i += 4
    for last in range(i, m):
        here, ahead, behind = around[p + last], around[p + last :], mirror[p + m - 1 - last :]
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
