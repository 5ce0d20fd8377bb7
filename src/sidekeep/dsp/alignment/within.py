"""Where in a whole take a piece of another one lies: the correlation of what is told of both, at every place at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Within:
    """Features of a whole take, in which pieces of up to some ``size`` windows are looked for."""

    def __init__(self, features: Floats, size: int) -> None:
        from scipy.fft import next_fast_len, rfft

        self._windows, self._length = len(features), next_fast_len(len(features) + 2 * size, real=True)
        self._spectrum = rfft(features, self._length, axis=0)
        self._energy = np.concatenate([[0.0], np.cumsum(np.square(features).sum(axis=1))])

    def correlation(self, piece: Floats) -> Floats:
        """Of the piece with what lies at every place where it can begin; -1 to 1."""
        from scipy.fft import irfft, rfft

        match = irfft((self._spectrum * np.conj(rfft(piece, self._length, axis=0))).sum(axis=1), self._length)
        match = match[: max(1, self._windows - len(piece) + 1)]
        there = self._energy[len(piece) : len(piece) + len(match)] - self._energy[: len(match)]
        found: Floats = match / np.sqrt(np.maximum(there, 1e-9) * max(np.square(piece).sum(), 1e-9))
        return found
