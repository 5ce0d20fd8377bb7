"""Whether the sound before a place and that after it are two: an attack, a cut or a new pulse of a voice.

Conventions: those of ``collect``. Damage lies on top of a sound that goes on beneath it. A sound that begins, is cut or is struck
anew has a seam instead: up to it every frame follows from those before, and from it on every frame from those after.
"""

from __future__ import annotations

import math

import numpy as np

from sidekeep.dsp.impulses.autoregression import (
    Vector,
    add_products,
    autocorrelate,
    levinson,
    solve_products,
)
from sidekeep.dsp.impulses.candidates import QUIET
from sidekeep.dsp.kernel import inner_kernel

NAMES = ("change", "seam", "seam_rest")

CHANGE, CHANGE_ORDER = 512, 16
"""Frames on each side whose sound is compared, and the order of the predictors."""
SEAM, SEAM_ORDER, SEAM_ROOM = 256, 12, 4
"""Frames on each side that the predictors of a seam are fitted on, their order, and frames round the span where it may be."""


@inner_kernel
def change_window(rate_factor: int) -> Vector:
    """The Hann window under which ``change_evidence`` looks at either side."""
    wide = CHANGE * rate_factor
    window = np.empty(wide)
    for i in range(wide // 2):
        window[i] = 0.5 - 0.5 * math.cos(2.0 * math.pi * (i + 0.5) / wide)
        window[wide - 1 - i] = window[i]
    return window


@inner_kernel
def change_evidence(own: Vector, first: int, last: int, rate_factor: int, window: Vector) -> float:
    """How unlike the sound before a span is to that after it; 0 for the same.

    Nats a frame by which two predictors, one fitted on each side, explain the two sides better than one for both: an
    attack or a cut changes the sound, damage leaves it as it was. ``window``: ``change_window``.
    """
    wide, order = CHANGE * rate_factor, CHANGE_ORDER
    before, after = first - rate_factor - wide, last + 4 * rate_factor
    if before < 0 or after + wide > own.shape[0]:
        return 0.0
    sides, scratch, model = np.empty((3, order + 1)), np.empty(2 * order + 2), np.empty(order + 1)
    piece = np.empty(wide)
    for side in range(2):
        low = before if side == 0 else after
        seen = own[low : low + wide]
        for i in range(wide):
            piece[i] = seen[i] * window[i]
        autocorrelate(piece, order, sides[side])
        sides[side, 0] = sides[side, 0] * (1.0 + 1e-9) + wide * QUIET * QUIET
    for k in range(order + 1):
        sides[2, k] = 0.5 * (sides[0, k] + sides[1, k])
    one = math.log(levinson(sides[0], order, model, scratch))
    two = math.log(levinson(sides[1], order, model, scratch))
    both = math.log(levinson(sides[2], order, model, scratch))
    return max(0.0, both - 0.5 * (one + two))


@inner_kernel
def fit_exactly(signal: Vector, order: int, model: Vector) -> float:
    """The predictor of least squared error inside ``signal`` (covariance method: no window); its mean squared error.

    Without a window a decaying ring is foretold from either end.
    """
    first, band = np.zeros(order + 1), np.zeros((order, order))
    add_products(signal, order, first, band)
    return max(0.0, solve_products(first, band, 1e-9, 1e-18, model)) / (signal.shape[0] - order)


@inner_kernel
def seam_evidence(own: Vector, first: int, last: int, rate_factor: int, out: Vector) -> None:
    """Fill *seam* and *seam_rest* of ``NAMES``.

    The errors of one predictor from before and of another from behind, each fitted on its own side, meet at the place where the
    larger of the two is least. *seam_rest* is the logarithm of what is left there, in deviations; *seam* that of what is
    left over what either predictor leaves by itself: 0 for damage, far below for a seam.
    """
    wide, order = SEAM * rate_factor, SEAM_ORDER * (rate_factor + 1) // 2
    low, high = first - SEAM_ROOM * rate_factor, last + SEAM_ROOM * rate_factor
    out[0], out[1] = 0.0, 0.0
    if low - wide < 0 or high + wide > own.shape[0]:
        return
    before, behind = np.empty(order + 1), np.empty(order + 1)
    left = math.sqrt(fit_exactly(own[low - wide : low], order, before) + QUIET * QUIET)
    right = math.sqrt(fit_exactly(own[high : high + wide][::-1].copy(), order, behind) + QUIET * QUIET)
    count = high - low
    forth, turned = np.zeros(count), np.zeros(count)
    for k in range(order + 1):
        past, future, one, two = own[low - k :], own[low + k :], before[k], behind[k]
        for i in range(count):
            forth[i] += one * past[i]
            turned[i] += two * future[i]
    ahead = np.zeros(count + 1)
    for i in range(count):
        ahead[i + 1] = max(ahead[i], abs(forth[i]) / left)
    back, rest = 0.0, ahead[count]
    for i in range(count - 1, -1, -1):
        back = max(back, abs(turned[i]) / right)
        rest = min(rest, max(back, ahead[i]))
    out[0] = math.log((rest + 1e-3) / (min(ahead[count], back) + 1e-3))
    out[1] = math.log(rest + 1e-3)
