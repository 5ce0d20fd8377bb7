"""How far a damaged span reaches: the evidence of every possible end from one factorisation.

Conventions: as in ``estimate``; planes are (channels, frames), one or two channels. In a zone round a candidate
nothing is taken for granted. With g the two-sided errors there and B = U' U their covariance (both over the music's
innovation variance), ``y = U'^-1 g`` are the errors frame by frame, each given the frames before it: filling the
first k frames of the zone explains ``0.5 sum(y[:k]^2)`` nats of the take. Frames that hold music alone explain half a
nat each, by chance. So the best end is where the sum less a price per frame is greatest; the best start is found in
the same way from the other side.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import FLOOR, Matrix, Vector, model_correlation
from sidekeep.dsp.impulses.estimate import pull_of, see_parts
from sidekeep.dsp.impulses.music_parts import half_window, rotated, split_music
from sidekeep.dsp.impulses.wall_gains import guess_gains
from sidekeep.dsp.kernel import borrowed, inner_kernel, kernel

PRICE_NATS = 1.1
"""What a frame must explain to be worth filling."""
LEAST_ALONG = 1e-14
"""Of Schur's algorithm: the share of a row's power that is new cannot be less, by the precision of the numbers."""
GIVE_UP_NATS, GIVE_UP_SHARE = 6.0, 0.01
"""The search ends where the sum has sunk this far below its best: nats, and a share of the best."""


@inner_kernel
def first_row(band: Matrix, taps: Vector, rest: Vector) -> None:
    """Row 0 of U, from the first row of B, and what ``factor_row`` goes on from."""
    order = taps.shape[0] - 1
    row = band[0]
    pivot = 1.0 / math.sqrt(max(taps[0] * (1.0 + 1e-9), FLOOR))
    for d in range(order + 1):
        row[d] = taps[d] * pivot
        rest[d] = row[d]
    row[0] = pivot
    rest[0], rest[order + 1] = 0.0, 0.0


@inner_kernel
def factor_row(before: Vector, row: Vector, rest: Vector) -> None:
    """A row of U from the one before: B = U' U is Toeplitz, ``row[d]`` gets U[i, i + d], ``row[0]`` 1 / U[i, i].

    Schur's algorithm: of a Toeplitz matrix each row follows from the one before and a second vector, which ``rest`` (order + 2)
    keeps from call to call (Bojanczyk, Brent, de Hoog & Sweet, SIAM J. Matrix Anal. Appl. 16(1), 1995, from memory).
    """
    reflection = rest[1] * before[0]
    along = math.sqrt(max(1.0 - reflection * reflection, LEAST_ALONG))
    row[0] = before[0] / along
    share = 1.0 / along
    for d in range(1, row.shape[0]):
        other = rest[d + 1]
        value = (before[d] - reflection * other) * share
        row[d] = value
        rest[d] = along * other - reflection * value


@inner_kernel
def best_end(
    left: Vector, band: Matrix, ready: int, rest: Vector, least: int, price: float
) -> tuple[int, int]:
    """Frames of the zone worth filling, counted from its first one, at least ``least``; and rows of U made.

    ``left`` is g, which is lost; ``band`` U with ``ready`` rows made, the first at least; ``rest`` what ``factor_row`` keeps.
    """
    m, order = left.shape[0], band.shape[1] - 1
    total, best, end = 0.0, -1e300, least
    for i in range(m):
        if i >= ready:
            factor_row(band[i - 1], band[i], rest)
            ready = i + 1
        row, reach = band[i], min(order, m - 1 - i)
        value = left[i] * row[0]
        ahead = left[i + 1 : i + 1 + reach]
        for d in range(reach):
            ahead[d] -= value * row[d + 1]
        total += 0.5 * value * value - price
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
    observed, working, spans, rooms = borrowed((observed, working, spans, rooms))
    channels, length = working.shape
    gains = np.ones(2)
    fade = half_window(context)
    taps, rest = np.empty(order + 1), np.empty(order + 2)
    for row in range(spans.shape[0]):
        first, last, peak = spans[row, 0], spans[row, 1], spans[row, 2]
        start, stop = max(order, first - rooms[row, 0]), min(length - order, last + rooms[row, 1])
        m = stop - start
        if m < 2:
            continue
        force, left, band = np.empty(m), np.empty(m), np.empty((m, order + 1))
        if channels == 2:
            guess_gains(observed, first, last, gains)
        fit_zone(observed, working, start, stop, fade, order, gains, force, taps)
        first_row(band, taps, rest)
        for i in range(m):
            left[i] = force[i]
        end, ready = best_end(left, band, 1, rest, peak - start + 1, prices[row])
        # read backwards the matrix is the same, and so is its factor
        for i in range(end):
            left[np.uint64(end - 1 - i)] = force[i]
        back, ready = best_end(left[:end], band, ready, rest, end - (peak - start), prices[row])
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
    channels = working.shape[0]
    models = np.empty((2, order + 1))
    powers = np.empty(2)
    correlations = np.empty((2, order + 1))
    cosine, sine, share = split_music(working, start, stop, fade, order, correlations, models, powers)
    parts = see_parts(observed, working, start, stop, order, cosine, sine)
    own, pull, scratch = np.empty(order + 1), np.empty(stop - start), np.empty(2 * order + 2)
    taps[:] = 0.0
    force[:] = 0.0
    for part in range(channels):
        gain = rotated(cosine, sine, gains[0], gains[1])[part] if channels == 2 else 1.0
        if abs(gain) < 1e-9:
            continue
        model_correlation(models[part], order, own)
        for k in range(order + 1):
            taps[k] += gain * gain * own[k] * share / powers[part]
        pull_of(parts[part], own, powers[part] / share, pull, scratch)
        for i in range(stop - start):
            force[i] += gain * pull[i]
