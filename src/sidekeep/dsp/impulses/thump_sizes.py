"""How well a thump of the likeliest size explains what the music round a place cannot: the kernels under ``thump_evidence``.

Conventions: those of ``thump_evidence``. The music's model is a prediction-error filter ``model`` (1, -a1, ...) of order
``model.shape[0] - 1``, fitted where all it reaches is known. The basis and the series are seen through it (*whitened*): the
basis then has ``order`` rows more.
"""

from __future__ import annotations

import math

import numpy as np

from sidekeep.dsp.impulses.autoregression import Matrix, Vector, add_products, factor_band, solve_products
from sidekeep.dsp.impulses.candidates import filter_ahead
from sidekeep.dsp.kernel import inner_kernel, kernel

WORTH = 8.0
"""Samples' worth of belief that the surprise is as large as round the place (scaled inverse chi-square)."""


@inner_kernel
def fit_music(low: Vector, begin: int, stop: int, model: Vector) -> float:
    """The ``model`` of least squared error outside ``[begin, stop)``, the mean of what is outside taken off; its variance."""
    order, n = model.shape[0] - 1, low.shape[0]
    mean = (low[:begin].sum() + low[stop:].sum()) / (n - (stop - begin))
    sides = (low[:begin] - mean, low[stop:] - mean)
    first, band = np.zeros(order + 1), np.zeros((order, order))
    for side in sides:
        add_products(side, order, first, band)
    solve_products(first, band, 1e-7, 1e-20, model)
    mirrored = model[::-1].copy()
    squares, count = np.empty(n), 0
    for side in sides:
        more = max(0, side.shape[0] - order)
        filter_ahead(side, more, mirrored, squares[count:])
        count += more
    mean_square = 0.0
    for i in range(count):
        squares[i] *= squares[i]
        mean_square += squares[i]
    # loud moments (a pluck in the context) do not set the scale of the quiet ones around the tail
    return max(0.5 * mean_square / count + 0.5 * np.median(squares[:count]) / 0.455, 1e-24)


@kernel
def ask_heads(
    low: Vector,
    head: int,
    basis: Matrix,
    variance: Vector,
    sizes: Vector,
    model: Vector,
    gram: Matrix,
    cross: Matrix,
    evidence: Vector,
    gains: Vector,
    explained: Vector,
    noise: Vector,
) -> None:
    """``evidence`` in nats of a thump at each of some neighbouring places from ``head`` on, by one model of the music round them.

    ``basis`` (components, samples); behind the last place there must be room for it and the order of the model. ``sizes`` are
    tried, power ratios over what is unpredictable; ``gains`` get the likeliest one's for each place, as a factor of
    ``variance``, ``explained`` the energy that it explains; all three are 0 where none beats no thump. ``gram`` (components,
    components) and ``cross`` (components, places): products of the whitened basis with itself and with the whitened series.
    ``noise`` gets the variance of what is unpredictable round the places, and the energy of the whitened series at the first.
    """
    order, parts, places = model.shape[0] - 1, basis.shape[0], evidence.shape[0]
    scale = fit_music(low, head, head + places - 1 + basis.shape[1], model)
    rows = basis.shape[1] + order
    mirrored = model[::-1].copy()
    design, placed = np.empty((parts, rows)), np.zeros(rows + order)
    for a in range(parts):
        placed[order:rows] = basis[a]
        filter_ahead(placed, rows, mirrored, design[a])
    for a in range(parts):
        one = design[a]
        for b in range(a + 1):
            other, product = design[b], 0.0
            for i in range(rows):
                product += one[i] * other[i]
            gram[a, b] = product
            gram[b, a] = product
    surprise = np.zeros(places - 1 + rows + 8)
    filter_ahead(low[head - order :], places - 1 + rows, mirrored, surprise)
    for a in range(parts):
        filter_ahead(surprise, places, design[a], cross[a])
    total = np.zeros(places)
    for i in range(rows):
        for place in range(places):
            total[place] += surprise[i + place] * surprise[i + place]
    noise[0], noise[1] = scale, total[0]
    root = np.sqrt(variance)
    trace = 0.0
    for a in range(parts):
        trace += variance[a] * gram[a, a]
    unit = max(trace / rows, 1e-30)
    evidence[:] = 0.0
    gains[:] = 0.0
    explained[:] = 0.0
    factor, along = np.zeros((parts, parts)), np.empty((parts, places))
    squares = np.empty(places)
    for size in sizes:
        gain = size / unit
        for a in range(parts):
            for b in range(a, parts):
                factor[a, b - a] = gain * root[a] * root[b] * gram[a, b]
            factor[a, 0] += 1.0
            for place in range(places):
                along[a, place] = root[a] * cross[a, place]
        factor_band(factor, parts, parts - 1)
        spread = 0.0
        squares[:] = 0.0
        # forward through the factor for all places at once
        for a in range(parts):
            spread -= math.log(factor[a, 0])
            line = along[a]
            for place in range(places):
                line[place] *= factor[a, 0]
                squares[place] += line[place] * line[place]
            for b in range(a + 1, parts):
                weight, below = factor[a, b - a], along[b]
                for place in range(places):
                    below[place] -= weight * line[place]
        for place in range(places):
            told = gain * squares[place]
            nats = (
                likelihood(total[place] - told, rows, scale) - likelihood(total[place], rows, scale) - spread
            )
            if nats > evidence[place]:
                evidence[place], gains[place], explained[place] = nats, gain, told


@inner_kernel
def likelihood(energy: float, count: int, scale: float) -> float:
    """Logarithm of that of ``count`` white errors of such an energy, their variance unknown about ``scale``."""
    return -0.5 * (count + WORTH) * math.log1p(energy / (WORTH * scale))
