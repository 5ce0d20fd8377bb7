"""Which notes sound: how strong each quarter tone is beside its neighbours and beside some seconds before and after.

Onsets tell *when* something sounds, and every piece of one tempo has them at the same times; this tells *what*. Level, slow
differences of treble and a steady hum do not count. Profiles are (windows, bands), ``PITCH_HZ`` windows a second.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.onsets import moving_mean

Floats = NDArray[np.float64]

PITCH_HZ = 10
"""Notes are longer than a tenth of a second, and takes are laid to a hundredth by their onsets."""
WINDOW_S = 0.35
"""Resolves 6 Hz, a semitone at 100 Hz."""
LOWEST_HZ, OCTAVES, IN_OCTAVE = 110.0, 5, 24
"""Quarter tones of five octaves: most notes and their first overtones, clear of rumble, hum and most of the crackle."""
SLOW_S = 8.0
"""What stays as long as a few bars is timbre, not music."""
FLOOR = 1e-2
"""Of the mean power of a band: 20 dB down a worn side holds little but noise."""


class PitchProfile:
    """Running profile of a take at ``rate_hz`` (a multiple of 100)."""

    def __init__(self, rate_hz: int) -> None:
        self._hop, self._size = rate_hz // PITCH_HZ, round(WINDOW_S * rate_hz)
        self._held: Floats | None = None
        self._rows: list[NDArray[np.float32]] = []
        self._window = np.hanning(self._size)[:, np.newaxis]
        hz = np.fft.rfftfreq(self._size, 1.0 / rate_hz)
        bands = int(IN_OCTAVE * min(OCTAVES, np.log2(0.45 * rate_hz / LOWEST_HZ)))
        place = IN_OCTAVE * np.log2(np.maximum(hz, 1.0) / LOWEST_HZ)
        # a semitone to either side, so that players that differ by less than a quarter tone share their bands
        self._bands = np.maximum(0.0, 1.0 - 0.5 * np.abs(place[:, np.newaxis] - np.arange(bands)))

    def process(self, audio: Floats) -> None:
        """(n, channels) samples. Powers are added, so a channel of the other polarity takes nothing away."""
        samples = audio if self._held is None else np.concatenate([self._held, audio])
        count = max(0, (len(samples) - self._size) // self._hop + 1)
        for at in range(0, count * self._hop, self._hop):
            spectrum = np.fft.rfft(samples[at : at + self._size] * self._window, axis=0)
            power = np.square(np.abs(spectrum)).sum(axis=1)
            self._rows.append((power @ self._bands).astype(np.float32))
        self._held = samples[count * self._hop :].copy()

    def finish(self) -> Floats:
        """(windows, bands), of unit deviation over the whole take."""
        bands = self._bands.shape[1]
        if not self._rows:
            return np.zeros((0, bands))
        power = np.stack(self._rows).astype(np.float64)
        level = np.log(power + FLOOR * power.mean(axis=0) + 1e-14)
        level -= moving_mean(level.T, IN_OCTAVE).T
        level -= moving_mean(level, round(SLOW_S * PITCH_HZ))
        profile: Floats = level / max(float(level.std()), 1e-9)
        return profile


def transposed(profile: Floats, ratio: float) -> Floats:
    """The profile of a take played ``ratio`` times as slow: so much longer, and lower by as many parts of an octave."""
    windows = np.minimum(np.arange(round(len(profile) * ratio)) / ratio, len(profile) - 1.0)
    bands = np.clip(np.arange(profile.shape[1]) + IN_OCTAVE * np.log2(ratio), 0.0, profile.shape[1] - 1.0)
    return _between(_between(profile, windows).T, bands).T


def _between(rows: Floats, places: Floats) -> Floats:
    low = np.minimum(places.astype(np.int64), max(len(rows) - 2, 0))
    share = (places - low)[:, np.newaxis]
    return rows[low] * (1.0 - share) + rows[np.minimum(low + 1, len(rows) - 1)] * share
