"""How far a damaged span reaches: the evidence of every possible end from one factorisation.

Conventions: as in ``estimate``; planes are (channels, frames), one or two channels. In a zone round a candidate
nothing is taken for granted. With g the two-sided errors there and B = L L' their covariance (both over the music's
innovation variance), ``y = L^-1 g`` are the errors frame by frame, each given the frames before it: filling the
first k frames of the zone explains ``0.5 sum(y[:k]^2)`` nats of the take. Frames that hold music alone explain half a
nat each, by chance. So the best end is where the sum less a price per frame is greatest; the best start is found in
the same way from the other side.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import FLOOR, Matrix, Vector, model_correlation
from sidekeep.dsp.impulses.estimate import guess_gains
from sidekeep.dsp.impulses.music_parts import half_window, rotated, split_music
from sidekeep.dsp.kernel import inner_kernel, kernel

PRICE_NATS = 1.1
"""What a frame must explain to be worth filling."""
GIVE_UP_NATS, GIVE_UP_SHARE = 6.0, 0.01
"""The search ends where the sum has sunk this far below its best: nats, and a share of the best."""


@inner_kernel
def factor_row(band: Matrix, i: int, order: int, taps: Vector) -> None:
    """Row i of L, the rows before it known: B = L L' is Toeplitz, ``band[i, order]`` holds 1 / L[i, i]."""
    first = max(0, i - order)
    row = band[i]
    for k in range(order + 1):
        row[k] = 0.0
    for j in range(first, i):
        low = max(first, j - order)
        total = taps[i - j]
        left, right = row[low - i + order : j - i + order], band[j, low - j + order : order]
        for k in range(j - low):
            total -= left[k] * right[k]
        row[j - i + order] = total * band[j, order]
    total = taps[0] * (1.0 + 1e-9)
    left = row[first - i + order : order]
    for k in range(i - first):
        total -= left[k] * left[k]
    row[order] = 1.0 / math.sqrt(max(total, FLOOR))


@inner_kernel
def best_end(
    force: Vector, taps: Vector, band: Matrix, ready: int, y: Vector, least: int, price: float
) -> tuple[int, int]:
    """Frames of the zone worth filling, counted from its first one, at least ``least``; and rows of L made.

    ``force`` is g, ``taps`` the first row of B, ``band`` L with ``ready`` rows made; ``y`` is scratch.
    """
    order = band.shape[1] - 1
    total, best, end = 0.0, -1e300, least
    for i in range(force.shape[0]):
        if i >= ready:
            factor_row(band, i, order, taps)
            ready = i + 1
        value = force[i]
        for j in range(max(0, i - order), i):
            value -= band[i, j - i + order] * y[j]
        y[i] = value * band[i, order]
        total += 0.5 * y[i] * y[i] - price
        if i + 1 >= least:
            if total > best:
                best, end = total, i + 1
            elif total < best - GIVE_UP_NATS - GIVE_UP_SHARE * max(0.0, best):
                break
    return end, ready


@kernel
def fit_extents(
    observed: Matrix,
    working: Matrix,
    spans: NDArray[np.int64],
    rooms: NDArray[np.int64],
    context: int,
    order: int,
    prices: Vector,
) -> None:
    """Move both ends of every span (first, last + 1, peak) to where the evidence wants them; the peak stays inside.

    ``rooms`` (spans, 2) says how many frames before and after a span may be added.
    """
    channels, length = working.shape
    gains = np.ones(2)
    fade = half_window(context)
    for row in range(spans.shape[0]):
        first, last, peak = spans[row, 0], spans[row, 1], spans[row, 2]
        start, stop = max(order, first - rooms[row, 0]), min(length - order, last + rooms[row, 1])
        m = stop - start
        if m < 2:
            continue
        force = np.zeros(m)
        taps = np.zeros(order + 1)
        if channels == 2:
            guess_gains(observed, first, last, gains)
        fit_zone(observed, working, start, stop, fade, order, gains, force, taps)
        band, y = np.empty((m, order + 1)), np.empty(m)
        end, ready = best_end(force, taps, band, 0, y, peak - start + 1, prices[row])
        # read backwards the matrix is the same, and so is its factor
        backwards = force[:end][::-1].copy()
        back, ready = best_end(backwards, taps, band, ready, y, end - (peak - start), prices[row])
        begin = end - back
        if end > begin:
            spans[row, 0], spans[row, 1] = start + begin, start + end


@inner_kernel
def fit_zone(
    observed: Matrix,
    working: Matrix,
    start: int,
    stop: int,
    fade: Vector,
    order: int,
    gains: Vector,
    force: Vector,
    taps: Vector,
) -> None:
    """``force`` (m,) and ``taps`` (order + 1,) of ``[start, stop)`` for a pulse at these gains, music outside it known."""
    channels, length = working.shape
    models = np.empty((2, order + 1))
    powers = np.empty(2)
    correlations = np.empty((2, order + 1))
    cosine, sine, share = split_music(working, start, stop, fade, order, correlations, models, powers)
    own = np.empty(order + 1)
    low = max(0, start - order)
    n = min(length, stop + order) - low
    z = np.empty(n)
    taps[:] = 0.0
    force[:] = 0.0
    for part in range(channels):
        c, s = (cosine, sine) if part == 0 else (-sine, cosine)
        gain = rotated(cosine, sine, gains[0], gains[1])[part] if channels == 2 else 1.0
        if abs(gain) < 1e-9:
            continue
        for i in range(n):
            at = low + i
            inside = start <= at < stop
            z[i] = c * (observed[0, at] if inside else working[0, at])
            if channels == 2:
                z[i] += s * (observed[1, at] if inside else working[1, at])
        model_correlation(models[part], order, own)
        for k in range(order + 1):
            taps[k] += gain * gain * own[k] * share / powers[part]
        for i in range(stop - start):
            at = start - low + i
            total = own[0] * z[at]
            for k in range(1, order + 1):
                if at - k >= 0:
                    total += own[k] * z[at - k]
                if at + k < n:
                    total += own[k] * z[at + k]
            force[i] += gain * total * share / powers[part]
