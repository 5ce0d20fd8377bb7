"""Where a place on one take lies on another take of the same side, by the sound round it.

The loudness of short steps is compared, never samples: another stylus, gain or noise does not matter. First the whole takes
give the offset, then some seconds round the place give it finely; the turntable's speed may drift between the two.
Every answer comes with its correlation, and one that is not sure is None.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import correlate

from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.ports import AudioSource

COARSE_HZ, FINE_HZ = 20, 500
ROUND_S, REACH_S = 8.0, 4.0
"""Seconds compared round a place, and how far from where it is expected it is looked for."""
SURE = 0.8
_FLOOR = 1e-4


@dataclass(frozen=True, kw_only=True)
class Offset:
    """How much later the other take runs, and how alike the two are (1: the same)."""

    later_s: float
    likeness: float


def loudness_steps(source: AudioSource, start_s: float, stop_s: float, steps_hz: int) -> NDArray[np.float64]:
    """Log level of every step of a stretch of a take; outside the take it is silence."""
    rate_hz = source.format.rate_hz
    count = round((stop_s - start_s) * steps_hz)
    edges = np.round((start_s + np.arange(count + 1) / steps_hz) * rate_hz).astype(np.int64)
    edges = np.clip(edges, 0, source.format.length_frames)
    power = np.zeros(count)
    if edges[-1] > edges[0]:
        frame = int(edges[0])
        for block in source.blocks(1 << 19, frame, int(edges[-1])):
            sums = np.concatenate([[0.0], np.cumsum(np.square(numbers_only(block)).mean(axis=1))])
            inside = np.clip(edges - frame, 0, len(block))
            power += sums[inside[1:]] - sums[inside[:-1]]
            frame += len(block)
    return np.log(np.sqrt(power / np.maximum(1, np.diff(edges))) + _FLOOR)


def whole_offset(mine: NDArray[np.float64], other: NDArray[np.float64]) -> Offset:
    """Offset of two takes from their steps at ``COARSE_HZ``."""
    return _best(mine, other, -len(mine), len(other), COARSE_HZ)


def place_on(mine: AudioSource, other: AudioSource, place_s: float, expected_later_s: float) -> Offset | None:
    """Offset at one place, or None when the sound round it does not say for sure."""
    half, reach = ROUND_S / 2.0, REACH_S
    near = loudness_steps(mine, place_s - half, place_s + half, FINE_HZ)
    centre = place_s + expected_later_s
    far = loudness_steps(other, centre - half - reach, centre + half + reach, FINE_HZ)
    found = _best(near, far, 0, len(far) - len(near), FINE_HZ)
    if found.likeness < SURE:
        return None
    return Offset(later_s=expected_later_s + found.later_s - reach, likeness=found.likeness)


def _best(short: NDArray[np.float64], long: NDArray[np.float64], first: int, last: int, hz: int) -> Offset:
    """Normalised correlation of ``short`` at every lag into ``long``; at least half of it must overlap."""
    if len(short) < 2 or len(long) < 2 or np.ptp(short) == 0.0 or np.ptp(long) == 0.0:
        return Offset(later_s=0.0, likeness=0.0)
    short, long = short - short.mean(), long - long.mean()
    ones_short, ones_long = np.ones(len(short)), np.ones(len(long))
    overlap = np.round(correlate(ones_long, ones_short, "full", "fft"))
    products = correlate(long, short, "full", "fft")
    sums = correlate(long, ones_short, "full", "fft"), correlate(ones_long, short, "full", "fft")
    squares = correlate(long**2, ones_short, "full", "fft"), correlate(ones_long, short**2, "full", "fft")
    count = np.maximum(overlap, 1.0)
    spread = (squares[0] - sums[0] ** 2 / count) * (squares[1] - sums[1] ** 2 / count)
    likeness = (products - sums[0] * sums[1] / count) / np.sqrt(np.maximum(spread, 1e-12))
    lags = np.arange(len(likeness)) - (len(short) - 1)
    wanted = (lags >= first) & (lags <= last) & (overlap >= 0.5 * min(len(short), len(long)))
    if not wanted.any():
        return Offset(later_s=0.0, likeness=0.0)
    best = int(np.argmax(np.where(wanted, likeness, -np.inf)))
    return Offset(later_s=float(lags[best]) / hz, likeness=float(likeness[best]))
