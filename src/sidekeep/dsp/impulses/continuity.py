"""Whether the sound after a mended span can be that before it: over damage it goes on, at a cut another one begins.

Conventions: one channel, mended; a span is ``[first, last)``; ``rate_factor`` as in ``mending``. Whatever the damage was, there
are frames to be put in its place with which both ends agree, within what chance does to a predictor. Where two sounds were
joined there are none. So the frames of the span are chosen to leave the least error, and what is left is held against the
predictor's usual one. A predictor of the sound before and one of that behind are asked, and the milder one counts: an attack
is a new sound on top of the old one and is foretold well enough, in its own measure, by the predictor of what it began; a cut is
foretold by neither.

Missing frames solved for by least squares: Janssen, Veldhuis & Vries, IEEE Trans. ASSP 34(2), 1986 (from memory).
"""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.impulses.autoregression import (
    RIDGE,
    Vector,
    factor_band,
    model_correlation,
    solve_band,
)
from sidekeep.dsp.impulses.candidates import QUIET, filter_ahead
from sidekeep.dsp.impulses.evidence.seam import fit_exactly
from sidekeep.dsp.kernel import inner_kernel

WIDE, ORDER = 512, 24
"""Frames on each side that a predictor is fitted on, and its order, at 48 kHz and below."""


@inner_kernel
def misfit(own: Vector, first: int, last: int, rate_factor: int, enough: float) -> float:
    """Least squared error with which both sides of a span agree over the usual one; near 1 for a sound that goes on.

    Where the predictor of the sound before gives no more than ``enough``, the other is not asked: it could but lower it. 0 where
    there is not the context to tell.
    """
    wide, order = WIDE * rate_factor, ORDER * (rate_factor + 1) // 2
    if first - wide < 0 or last + wide > own.shape[0]:
        return 0.0
    model = np.empty(order + 1)
    usual = fit_exactly(own[first - wide : first], order, model) + QUIET * QUIET
    ahead = least_error(own[first - order : last + order], order, model) / (order * usual)
    if ahead <= enough:
        return ahead
    usual = fit_exactly(own[last : last + wide][::-1].copy(), order, model) + QUIET * QUIET
    behind = least_error(own[first - order : last + order][::-1].copy(), order, model) / (order * usual)
    return min(ahead, behind)


@inner_kernel
def least_error(signal: Vector, order: int, model: Vector) -> float:
    """Squared prediction error of ``signal`` from its frame ``order`` on; all but ``order`` frames at either end may change."""
    count = signal.shape[0] - 2 * order
    filled = signal.copy()
    taps = np.empty(order + 1)
    model_correlation(model, order, taps)
    band, change = np.empty((count, order + 1)), np.empty(count)
    errors = np.empty(count + order)
    predict(filled, order, model, errors)
    filter_ahead(errors, count, model, change)
    for i in range(count):
        line = band[i]
        for k in range(order + 1):
            line[k] = taps[k]
        line[0] *= 1.0 + RIDGE
    factor_band(band, count, order)
    solve_band(band, count, order, change)
    for i in range(count):
        filled[order + i] -= change[i]
    predict(filled, order, model, errors)
    total = 0.0
    for i in range(count + order):
        total += errors[i] * errors[i]
    return total


@inner_kernel
def predict(signal: Vector, order: int, model: Vector, errors: Vector) -> None:
    """``errors[i]`` gets the prediction error of frame ``order + i``."""
    turned = np.empty(order + 1)
    for k in range(order + 1):
        turned[k] = model[order - k]
    filter_ahead(signal, errors.shape[0], turned, errors)
