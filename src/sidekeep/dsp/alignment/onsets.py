"""Onsets in bands: how much the level of each band rises, so gain, polarity and slow differences of treble do not count.

Features are (windows, BANDS) at 100 windows a second.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


FEATURE_HZ = 100
BANDS = 12
"""Windows of 10 ms; bands of half an octave (chosen here)."""
LOWEST_HZ, HIGHEST_HZ = 150.0, 7500.0
WINDOW_FRAMES = 512
"""21 ms at 24 kHz."""


class OnsetFeatures:
    """Running features of a mono signal at ``rate_hz`` (a multiple of 100)."""

    def __init__(self, rate_hz: int) -> None:
        self._hop = rate_hz // FEATURE_HZ
        self._held = np.zeros(0)
        self._rows: list[Floats] = []
        hz = np.fft.rfftfreq(WINDOW_FRAMES, 1.0 / rate_hz)
        edges = np.geomspace(LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate_hz), BANDS + 1)
        self._bands = np.stack(
            [(hz >= low) & (hz < high) for low, high in zip(edges, edges[1:])], axis=1
        ).astype(float)
        # the lowest bands may be narrower than a bin: they take the nearest one
        for band in np.flatnonzero(self._bands.sum(axis=0) == 0):
            self._bands[np.argmin(np.abs(hz - edges[band])), band] = 1.0
        self._window = np.hanning(WINDOW_FRAMES)

    def process(self, mono: Floats) -> None:
        """(n,) samples."""
        samples = np.concatenate([self._held, mono])
        count = max(0, (len(samples) - WINDOW_FRAMES) // self._hop + 1)
        if count:
            frames = np.lib.stride_tricks.sliding_window_view(samples, WINDOW_FRAMES)[:: self._hop][:count]
            power = np.square(np.abs(np.fft.rfft(frames * self._window, axis=1)))
            self._rows.append(power @ self._bands)
        self._held = samples[count * self._hop :].copy()

    def finish(self) -> Floats:
        """(windows, BANDS) rises of the level, each band with unit deviation."""
        if not self._rows:
            return np.zeros((0, BANDS))
        power = np.concatenate(self._rows)
        floor = 1e-3 * power.mean(axis=0, keepdims=True) + 1e-14
        level = np.log(power + floor)
        rise = np.maximum(0.0, np.diff(level, axis=0, prepend=level[:1]))
        rise -= moving_mean(rise, FEATURE_HZ)
        deviation = rise.std(axis=0, keepdims=True)
        scaled: Floats = rise / np.maximum(deviation, 1e-9)
        return scaled


def moving_mean(rows: Floats, width: int) -> Floats:
    """Mean over ``width`` rows around each one, shorter at the ends."""
    sums = np.concatenate([np.zeros((1, rows.shape[1])), np.cumsum(rows, axis=0)])
    index = np.arange(len(rows))
    low, high = np.maximum(0, index - width // 2), np.minimum(len(rows), index + width // 2 + 1)
    mean: Floats = (sums[high] - sums[low]) / (high - low)[:, np.newaxis]
    return mean
