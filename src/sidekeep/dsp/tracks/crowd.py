"""Applause and other sounds that are noise through and through: a crowd ends a track, it begins none.

Conventions: hops of one play. Hundreds of hands clapping add up to noise: no pitch class stands out, and every band
wavers as much as noise of that bandwidth must, while music wavers more (notes) or less (held tones). Groove noise is noise
too, and so is music that hardly stands out of it: what is looked at must be well over the groove, from 1 to 8 kHz too,
for hands are bright. The level in dB of noise in a band of one 93 ms window is spread like the logarithm of a chi-square
variable; that is where the limits of the spread come from.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import LOW_COUNT
from sidekeep.dsp.tracks.groove_noise import GrooveNoise
from sidekeep.dsp.tracks.needle import runs

Floats = NDArray[np.float64]

_WINDOW_S = 2.0
"""Long enough for the spread of some twenty independent looks, short enough for a brief round of clapping."""
_LOW = slice(2, LOW_COUNT)
"""Bands above rumble and hum, from 63 Hz."""
_HIGH = slice(LOW_COUNT + 1, LOW_COUNT + 7)
"""1 to 8 kHz, where hands are loud and records still have treble."""
_MOST_TONAL = 0.45
"""Sum of distances of the twelve pitch classes from a twelfth each: 0 for noise, 1.8 for one note. By trial (as in
``boundaries``)."""
_MOST_LOW_DB, _MOST_HIGH_DB = 2.65, 2.5
"""A little over what noise must show (see above); nearer to it clapping was missed, farther from it cymbals passed. By trial."""
_LEAST_EXCESS = 3.5
_LEAST_BRIGHT_DB = 4.0
"""Well over the groove: noise that hardly stands out of noise cannot be told from it. By trial."""
_HOLE_S, _LEAST_S = 1.0, 2.5
"""A whistle or a shout is bridged; clapping for less is no applause. By trial."""


def find_crowd(
    bands_db: NDArray[np.float32], chroma: NDArray[np.float32], groove: GrooveNoise, hop_s: float
) -> list[tuple[int, int]]:
    """Half-open spans of at least 2.5 s that sound like noise and are not the groove's."""
    size = round(_WINDOW_S / hop_s)
    count = len(chroma)
    if count < 2 * size or not groove.quiet.any():
        return []
    tonal = np.abs(_means(chroma, size) - 1.0 / chroma.shape[1]).sum(axis=1)
    like = tonal < _MOST_TONAL
    like &= _spread(bands_db[:, 0, _LOW], size) < _MOST_LOW_DB
    like &= _spread(bands_db[:, 0, _HIGH], size) < _MOST_HIGH_DB
    like &= _means(groove.excess[:, None], size)[:, 0] > _LEAST_EXCESS
    bright = bands_db[:, 0, _HIGH].mean(axis=1)
    like &= _means(bright[:, None], size)[:, 0] > np.median(bright[groove.quiet]) + _LEAST_BRIGHT_DB
    spans: list[tuple[int, int]] = []
    for start, stop in runs(like):
        if spans and (start - spans[-1][1]) * hop_s < _HOLE_S:
            spans[-1] = (spans[-1][0], stop + size - 1)
        else:
            spans.append((start, stop + size - 1))
    return [(start, min(stop, count)) for start, stop in spans if (stop - start) * hop_s >= _LEAST_S]


def _means(table: NDArray[np.generic], size: int) -> Floats:
    """Means of every ``size`` rows that follow each other."""
    sums = np.cumsum(table, axis=0, dtype=np.float64)
    sums = np.concatenate([np.zeros((1, table.shape[1])), sums])
    return np.asarray((sums[size:] - sums[:-size]) / size)


def _spread(table: NDArray[np.float32], size: int) -> Floats:
    """Standard deviation over ``size`` rows, mean over the columns."""
    middle = table.astype(np.float64) - np.median(table, axis=0)
    variance = _means(middle**2, size) - _means(middle, size) ** 2
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)).mean(axis=1))
