"""The waveform that damage adds to the groove: its mean and spread given the music, and its own model given those.

Conventions: as in ``estimate``, whose third and fourth step this is. ``spread`` as ``invert_band`` gives it.
"""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.impulses.autoregression import Matrix, Vector, factor_band, solve_band
from sidekeep.dsp.kernel import inner_kernel

COLOUR = 2
"""Order of the disturbance's own model."""
WHITE_FRAMES = 6.0
"""Frames' worth of belief that the disturbance is white: a short one cannot tell its colour."""
TINY = 1e-30
"""So that nothing is divided by nothing; as ``autoregression.FLOOR``."""
HURRY = 0.7
"""Power of its own step by which a variance goes on in the same direction: half the rounds for the same end."""
SETTLED = 1e-4
"""The rounds end when what is taken out changes by less than this share of the variance that it is left with by all that is
known: the error cannot tell."""


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
        first, second = colour[1], colour[2]
        for i in range(m):
            weight = 1.0 / variance[i]
            band[i, 0] += weight
            if i > 0:
                band[i - 1, 0] += weight * first * first
                band[i - 1, 1] += weight * first
            if i > 1:
                band[i - 2, 0] += weight * second * second
                band[i - 2, 1] += weight * second * first
                band[i - 2, 2] += weight * second
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
    first, second = colour[1], colour[2]
    for i in range(m):
        value, unsure = wave[i], spread[i, p]
        if i > 0:
            row = spread[i - 1]
            value += first * wave[i - 1]
            unsure += first * (first * row[p] + 2.0 * row[p + 1])
        if i > 1:
            row = spread[i - 2]
            value += second * wave[i - 2]
            unsure += second * (second * row[p] + 2.0 * (row[p + 2] + first * row[p + 1]))
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
