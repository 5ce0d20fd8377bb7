"""How fast something sways, and how that changes: the likelihood of its harmonics, every few turns by their own noise.

Conventions: series are (samples, channels) float64; frequencies in Hz, times in seconds from the middle of the series. ``off`` is
what the turn is above a first guess in Hz, ``bend`` what it gains a second.

What a turn is read from is much the same all through a side, and what covers it is not: music is a hundred and a thousand times
as loud down there in one minute as in another. So the lines are demodulated in pieces, and each counts as the noise half way
between the lines lets it (periodogram of unequal noise; Whittle's likelihood).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_PIECE_TURNS = 4.0
"""An even number: the lines then leave nothing half way between them. On 36 pressed sides of 5 minutes 4 are as good as 2 or 3
and better than 8 or 16, which mix loud music with quiet."""
_BESIDE = (-0.5, 0.5)
"""Turns to the neighbouring lines at which the noise of one is measured."""
_STEADY = 0.05
"""Share of a line's height that is taken for its own wander: no piece counts for more than that allows."""
_DRIFTS_PER_S = ((3e-8, 1.0), (1e-6, 0.1))
"""As for what comes back (``chain_fit``): players that hold their speed, and belts that drift by about 0.01 % a minute."""
_WANDER_TURNS = 0.0015
"""What the place of a sway may be off by over a take without a word. On 36 pressed sides of 5 minutes 75 % of what is told lies
within its deviation then (0.003: 78, 0.001: 69), but the press turns more evenly than a player does."""
_REACH = 4.0
"""Cycles over the whole series that the first guess may be off by."""
_ROUNDS, _CELLS, _FINER = 9, 4, 2.2
"""Of the search: so many rounds, cells to either side in all but the first, and how much narrower the next round's are."""


@dataclass(frozen=True)
class _Line:
    """One harmonic of one channel: ``pieces`` over their noise, ``worth`` their samples over it, summed."""

    number: int
    pieces: Complexes
    worth: float


def fit_sway(
    low: Floats, rate_hz: float, turn_hz: float, harmonics: int, highest_hz: float
) -> tuple[float, float, float]:
    """The turn in Hz at the middle of the series, its standard deviation, and what it gains a second; from ``turn_hz`` on.

    low : (samples, channels) at ``rate_hz``, six turns or more; lines above ``highest_hz`` are not asked.
    """
    length_s = len(low) / rate_hz
    count = max(3, int(length_s * turn_hz / _PIECE_TURNS))
    time_s = np.arange(len(low)) / rate_hz - 0.5 * length_s
    starts = np.linspace(0, len(low), count + 1).astype(np.int64)[:-1]
    sizes = np.diff(np.append(starts, len(low))).astype(np.float64)
    places_s = np.add.reduceat(time_s, starts) / sizes
    lines = [
        line
        for number in range(1, harmonics + 1)
        if number * turn_hz <= highest_hz
        for line in _lines(low, time_s, starts, sizes, turn_hz, number)
    ]

    def likelihood(off_hz: Floats, bend_hz_s: Floats) -> Floats:
        cycles = np.outer(off_hz, places_s) + np.outer(bend_hz_s, 0.5 * places_s**2)
        back = np.exp(-2j * np.pi * cycles)
        nats, turned, number = np.zeros(len(off_hz)), np.ones_like(back), 0
        for line in lines:
            while number < line.number:
                turned, number = turned * back, number + 1
            nats += np.abs(turned @ line.pieces) ** 2 / line.worth
        return nats

    finest_s = length_s * lines[-1].number
    answers = []
    for drift, share in _DRIFTS_PER_S:
        held = 1.0 / (drift * turn_hz) ** 2
        off, bend = 0.0, 0.0
        step, step_bend = 0.5 / finest_s, min(0.75 * drift * turn_hz, 2.0 / length_s**2)
        # all that the search may have taken for the top, so closely that no fringe between two quiet ends is stepped over
        cells = int(_REACH / (step * length_s))
        for _ in range(_ROUNDS):
            across, along = (side.ravel() for side in np.mgrid[-cells : cells + 1, -_CELLS : _CELLS + 1])
            offs, bends = off + step * across, bend + step_bend * along
            best = int(np.argmax(likelihood(offs, bends) - 0.5 * held * bends**2))
            off, bend = float(offs[best]), float(bends[best])
            step, step_bend, cells = step / _FINER, step_bend / _FINER, _CELLS
        answers.append(_about(likelihood, off, bend, held, share, length_s))
    offs, bends, variances, nats = (np.array(column) for column in zip(*answers, strict=True))
    shares = np.exp(nats - nats.max())
    shares /= shares.sum()
    off = float(shares @ offs)
    spread_hz = float(np.sqrt(shares @ (variances + (offs - off) ** 2)))
    return turn_hz + off, float(np.hypot(spread_hz, _WANDER_TURNS / length_s)), float(shares @ bends)


def _lines(
    low: Floats, time_s: Floats, starts: NDArray[np.int64], sizes: Floats, turn_hz: float, number: int
) -> list[_Line]:
    """A harmonic of every channel in pieces, each by the noise of itself and its neighbours."""

    def pieces_at(turns: float) -> Complexes:
        back = np.exp(-2j * np.pi * turns * turn_hz * time_s)
        return np.add.reduceat(low * back[:, np.newaxis], starts, axis=0)

    pieces = pieces_at(number)
    power = np.mean([np.abs(pieces_at(number + beside)) ** 2 for beside in _BESIDE], axis=0)
    around = np.pad(power / sizes[:, np.newaxis], ((1, 1), (0, 0)), mode="edge")
    noise = (around[:-2] + around[1:-1] + around[2:]) / 3.0
    height = np.median(np.abs(pieces) / sizes[:, np.newaxis], axis=0)
    noise = np.maximum(noise, np.square(_STEADY * height) * sizes[:, np.newaxis]) + 1e-30
    worth = np.sum(sizes[:, np.newaxis] / noise, axis=0)
    return [
        _Line(number, pieces[:, channel] / noise[:, channel], float(worth[channel]))
        for channel in range(low.shape[1])
    ]


def _about(
    likelihood: Callable[[Floats, Floats], Floats],
    off: float,
    bend: float,
    held: float,
    share: float,
    length_s: float,
) -> tuple[float, float, float, float]:
    """``off``, ``bend``, the variance of the first, and the evidence of it all, by the curvature at the top (Laplace)."""
    step, step_bend = 0.02 / length_s, 0.08 / length_s**2
    across, along = np.array([0, 1, -1, 0, 0, 1, 1, -1, -1]), np.array([0, 0, 0, 1, -1, 1, -1, 1, -1])
    nats = likelihood(off + step * across, bend + step_bend * along)
    bowed = (2.0 * nats[0] - nats[1] - nats[2]) / step**2
    bent = (2.0 * nats[0] - nats[3] - nats[4]) / step_bend**2 + held
    both = (nats[6] + nats[7] - nats[5] - nats[8]) / (4.0 * step * step_bend)
    inner = bowed * bent - both**2
    is_top = bowed > 0.0 and inner > 0.0
    variance = bent / inner if is_top else (0.3 / length_s) ** 2
    evidence = nats[0] - 0.5 * held * bend**2 + 0.5 * np.log(held / max(inner, 1e-300)) + np.log(share)
    return off, bend, float(variance), float(evidence)
