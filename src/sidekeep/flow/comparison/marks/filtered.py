"""Two takes of one channel after the filters that make marks short: what is left of the music, and of what they do not share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import autocorrelate, levinson
from sidekeep.flow.comparison.laying.laid import Laid

Floats = NDArray[np.float64]

ORDER = 32
DIFFERENCE_ORDER = 16
STRETCH_S = 0.5
AROUND_CELLS = 25
"""A predictor of 32 holds the partials of a few notes, which half a second keeps; 16 are enough for the colour of hiss; 25
cells are 50 ms, over which music seldom changes and a mark is one cell (chosen here)."""
WINDOWS_S = (0.00005, 0.00028)
"""Lengths over which the energy is summed: a speck of dust, and a tick with the ringing of the cartridge."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Filtered:
    """One channel: both takes after the two filters, their usual sizes by cell, and the difference over its usual size."""

    old: Floats
    new: Floats
    music: Floats
    plain: tuple[Floats, Floats, Floats]
    stands: Floats


def filtered(laid: Laid, gain: Floats, channel: int, cell: int) -> Filtered:
    played = np.convolve(laid.new[:, channel], gain, mode="same")
    old, new = prediction_errors(np.stack([laid.old[:, channel], played]), laid.rate_hz)
    plain = old, new, usual_size(0.5 * (old + new), cell)
    old, new = _whitened(old, new, cell)
    difference = new - old
    usual = _along(usual_size(difference, cell), cell, len(difference))
    return Filtered(
        old=old,
        new=new,
        music=usual_size(0.5 * (old + new), cell),
        plain=plain,
        stands=difference / usual,
    )


def _whitened(old: Floats, new: Floats, cell: int) -> tuple[Floats, Floats]:
    """Both through the filter that makes their difference white; what stands far out of it is held down for the fit."""
    difference = new - old
    limit = 3.0 * _along(usual_size(difference, cell), cell, len(difference))
    held = np.clip(difference, -limit, limit) / limit
    correlation, model = np.zeros(DIFFERENCE_ORDER + 1), np.zeros(DIFFERENCE_ORDER + 1)
    scratch = np.zeros(2 * DIFFERENCE_ORDER + 2)
    autocorrelate(np.ascontiguousarray(held), DIFFERENCE_ORDER, correlation)
    levinson(correlation, DIFFERENCE_ORDER, model, scratch)
    return np.convolve(old, model)[: len(old)], np.convolve(new, model)[: len(new)]


def windows_of(rate_hz: int) -> tuple[int, ...]:
    return tuple(max(1, round(window_s * rate_hz)) for window_s in WINDOWS_S)


def prediction_errors(signals: Floats, rate_hz: int) -> Floats:
    """Prediction errors (signals, frames) of several signals by one filter a stretch, fitted to their mean; from the middle of a
    stretch to that of the next one filter fades into the other, so that little hangs on where the stretches begin."""
    size = round(STRETCH_S * rate_hz)
    mean = signals.mean(axis=0)
    frames = signals.shape[1]
    out = np.zeros(signals.shape)
    window = np.hanning(2 * size)
    correlation, scratch = np.zeros(ORDER + 1), np.zeros(2 * ORDER + 2)
    for start in range(0, frames, size):
        low = max(0, start - size // 2)
        piece = mean[low : low + 2 * size]
        model = np.zeros(ORDER + 1)
        autocorrelate(np.ascontiguousarray(piece * window[: len(piece)]), ORDER, correlation)
        levinson(correlation, ORDER, model, scratch)
        first, stop = max(0, start - size // 2), min(start + size + size // 2, frames)
        weight = _share(first, stop, start + size // 2, size, is_last=start + size >= frames)
        begin = max(0, first - ORDER)
        for row, signal in enumerate(signals):
            filtered = np.convolve(signal[begin:stop], model)[: stop - begin]
            out[row, first:stop] += weight * filtered[first - begin :]
    return out


def _share(first: int, stop: int, middle: int, size: int, *, is_last: bool) -> Floats:
    """The share of a stretch's filter in frames ``first`` to ``stop``: all at its middle, none at the next one's; all before the
    first middle and after the last."""
    away = (np.arange(first, stop) - middle) / size
    share = 1.0 - np.abs(away)
    if middle < size:
        share[away < 0.0] = 1.0
    if is_last:
        share[away > 0.0] = 1.0
    return np.maximum(share, 0.0)


def usual_size(signal: Floats, cell: int) -> Floats:
    """The usual size (one deviation of a Gaussian) around every cell of ``cell`` frames: the median of the means of the
    cells around, so that a mark does not raise its own surroundings."""
    count = -(-len(signal) // cell)
    padded = np.zeros(count * cell)
    padded[: len(signal)] = np.abs(signal)
    means = padded.reshape(count, cell).mean(axis=1)
    half = AROUND_CELLS // 2
    wide = np.pad(means, half, mode="edge")
    near = np.median(np.lib.stride_tricks.sliding_window_view(wide, AROUND_CELLS), axis=1)
    # a loud cell beside a quiet one is no mark: its neighbours on either side speak too
    beside = np.minimum(np.pad(means, 1, mode="edge")[:-2], np.pad(means, 1, mode="edge")[2:])
    usual: Floats = np.maximum(np.maximum(near, 0.5 * np.minimum(beside, means)), 1e-9) * np.sqrt(np.pi / 2.0)
    return usual


def _along(sizes: Floats, cell: int, count: int) -> Floats:
    """What is known by cells, for every frame: straight from the middle of one cell to that of the next."""
    return np.interp(np.arange(count), (np.arange(len(sizes)) + 0.5) * cell, sizes)


def runs_of(flags: NDArray[np.bool_], merge: int) -> list[tuple[int, int]]:
    """Runs of True, those nearer than ``merge`` joined."""
    places = np.flatnonzero(flags)
    if not len(places):
        return []
    breaks = np.flatnonzero(np.diff(places) > merge)
    starts = np.concatenate([[places[0]], places[breaks + 1]])
    stops = np.concatenate([places[breaks], [places[-1]]]) + 1
    return [(int(start), int(stop)) for start, stop in zip(starts, stops, strict=True)]
