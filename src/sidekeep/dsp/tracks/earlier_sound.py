"""Where in the last eighteen seconds a moment of a take was heard before: a needle that jumped back over several turns.

Conventions: mid (frames,) at one low rate; a *moment* is a fixed number of frames, and moments are counted from the start. All
that is remembered of the past is its phase: a windowed spectrum of every two moments on end, in one band, each bin of size
one. The product of two such spectra is the cross spectrum with its powers taken off, and its transform back has its peak at
the delay (Knapp and Carter, "The generalized correlation method for estimation of time delay", IEEE Trans. ASSP 24(4), 1976;
from memory). One band moved down to zero is enough to find a delay to some frames, and costs a quarter of the whole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.same_turn import bell, ends

Singles = NDArray[np.float32]

BAND_HZ = (700.0, 2800.0)
"""Over hum and rumble; two octaves of music and groove."""
_CLEAR, _CLEAR_BINS = 0.2, 1000
"""Agreement of phase: in a row of so many bins chance stays under 0.16, a groove heard twice reaches 0.2 to 0.8 (pressed sides).
By chance shorter rows agree better, as one over the root of their length: takes at rates of 16 kHz and below have such."""


class EarlierSound:
    """``add`` every moment with the one after it, ``find`` where one was heard before."""

    def __init__(self, moment_frames: int, rate_hz: float, reach_frames: int) -> None:
        from scipy.fft import next_fast_len

        self._size = moment_frames
        self._count = reach_frames // moment_frames + 2
        self._low = int(BAND_HZ[0] * 2 * moment_frames / rate_hz)
        width = int((BAND_HZ[1] - BAND_HZ[0]) * 2 * moment_frames / rate_hz)
        # at a low rate the band ends where the sound does, and what is left of a row is nothing
        self._bins = next_fast_len(max(1, min(width, moment_frames + 1 - self._low)))
        self._clear = _CLEAR * max(1.0, math.sqrt(_CLEAR_BINS / self._bins))
        self._past = np.zeros((self._count, self._bins), np.complex64)
        self._numbers = np.full(self._count, -1, np.int64)

    def add(self, number: int, sound: Singles) -> None:
        """Two moments on end, (2 x moment,), of which the first has this number."""
        row = number % self._count
        self._past[row] = self._phases(sound * ends(2 * self._size, self._size))
        self._numbers[row] = number

    def find(self, number: int, now: Singles, ranges: Sequence[tuple[int, int]], most: int) -> list[int]:
        """How many frames before the moment it may have been heard, within ``ranges`` of frames, half-open: the ``most`` places
        where the phase agrees best, and better than by chance. To the width of the band: within some frames."""
        from scipy.fft import ifft

        # a row holds the delays from its own start down to a moment less
        first = (number - self._numbers) * self._size
        asked = [(first >= low) & (first - self._size < high) for low, high in ranges]
        known = np.flatnonzero((self._numbers >= 0) & (self._numbers <= number - 2) & np.any(asked, axis=0))
        if not len(known):
            return []
        fits = np.abs(ifft(self._past[known] * np.conj(self._phases(now * bell(self._size))), axis=1))
        place = np.arange(self._bins) * (2.0 * self._size / self._bins)
        back = first[known, np.newaxis] - place
        is_asked = np.any([(back >= low) & (back < high) for low, high in ranges], axis=0)
        fits[~is_asked | (place > self._size)] = 0.0
        best = np.argmax(fits, axis=1)
        rows = np.arange(len(known))
        clear, delays = fits[rows, best], back[rows, best]
        order = np.argsort(-clear)[:most]
        return [round(float(delays[row])) for row in order if clear[row] > self._clear]

    def _phases(self, sound: Singles) -> NDArray[np.complex64]:
        from scipy.fft import rfft

        band = rfft(sound, 2 * self._size)[self._low : self._low + self._bins]
        phases = np.zeros(self._bins, np.complex64)
        phases[: len(band)] = band / (np.abs(band) + np.float32(1e-30))
        return phases
