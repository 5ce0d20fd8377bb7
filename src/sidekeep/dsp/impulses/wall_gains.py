"""How much of a pulse is on each of two walls: a first guess, its sign, and the likeliest gains given the waveform.

Conventions: as in ``estimate``, whose second step this is. ``gains`` are those of the walls, the larger 1; ``rotated_gains``
those of the parts that the music was turned into by ``cosine`` and ``sine``.
"""

from __future__ import annotations

import math

import numpy as np

from sidekeep.dsp.impulses.autoregression import Matrix, Vector
from sidekeep.dsp.impulses.music_parts import rotated
from sidekeep.dsp.impulses.pulse import TINY, weigh
from sidekeep.dsp.kernel import inner_kernel

LEAST_GAIN = 0.12
"""A wall with less of the pulse than this is left alone: it is crosstalk."""


@inner_kernel
def guess_gains(observed: Matrix, first: int, last: int, gains: Vector) -> None:
    """Sign and ratio of the pulse on the two walls from its second differences against a straight line's."""
    aa, bb, ab = 1e-30, 1e-30, 0.0
    left, right = observed[0, first - 2 : last], observed[1, first - 2 : last]
    for n in range(last - first):
        a = left[n + 2] - 2.0 * left[n + 1] + left[n]
        b = right[n + 2] - 2.0 * right[n + 1] + right[n]
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
