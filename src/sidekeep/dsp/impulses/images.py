"""Mirror images: what a gentle converter leaves of a lower rate in a take, and by which it is known for certain.

Conventions: planes are (channels, frames) float64; frequencies in Hz. A take that was brought from ``once_hz`` to a higher
rate holds, wherever the converter's filter had not yet fallen, the mirror image of its treble: what stands at ``once_hz`` - f
is what stands at f, weaker, its phase turned by as much as ``once_hz`` turns from frame to frame (sampling theorem; Crochiere
& Rabiner, Multirate Digital Signal Processing, 1983, section 2.3). No music and no groove does that, however its treble
falls. A converter steep enough to leave no image leaves an edge instead (``band``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ONCE_HZ = (44_100, 48_000, 88_200, 96_000)
"""Rates that takes are made at ..."""
LOW_ONCE_HZ = (22_050, 24_000, 32_000)
"""... and those of long play, broadcasting and speech."""
LOOKED_AT_HZ = (300.0, 1_500.0)
"""How far below the old half rate a sound is compared with its image: nearer, both are within one bin."""
LOCKED = 0.7
"""Least length of the mean unit phase, median over those frequencies: images reach 0.98 and more, all else 0.1 to 0.4."""
FAINT_DB = -20.0
"""An image this far below its sound: there the filter takes less than a decibel (a sound and its image add up to the whole
where the filter falls halfway at the old half rate)."""
SOUND_DBFS = -110.0
"""Least level of the sound there, as noise that is white over the whole band: below it, in a file that was never rounded, a
steady tone far off is all there is, and its leakage may keep any pace. A record's treble is -85 and more, rounding to 16 bits
-93."""
EVERY = 4
"""Every fourth spectrum is enough."""
FEWEST = 16
"""Spectra, below which phases may agree by chance."""


@dataclass(frozen=True, kw_only=True)
class Images:
    """The rate a take was once at, and up to which frequency its sound came through whole."""

    once_hz: int
    level_to_hz: float


def find_images(
    planes: Floats, rate_hz: float, size: int, rates_hz: tuple[int, ...] = ONCE_HZ
) -> Images | None:
    """Whether a stretch holds images of one of some rates (in ascending order), by spectra of ``size`` frames; None where it
    does not, or holds none that can be seen."""
    count = planes.shape[1] // size
    seen_hz = 0.5 * (rate_hz - min(rates_hz))
    if len(range(0, count, EVERY)) < FEWEST or seen_hz < 2.0 * LOOKED_AT_HZ[0]:
        return None
    frames = planes[:, : count * size].reshape(len(planes), count, size)[:, ::EVERY] * np.hanning(size)
    sound = np.fft.rfft(frames, axis=2)
    begins = np.arange(0, count, EVERY) * size
    for once_hz in rates_hz:
        far = min(LOOKED_AT_HZ[1], 0.5 * (rate_hz - once_hz))
        if far < 2.0 * LOOKED_AT_HZ[0]:
            break
        image = np.fft.fft(frames * _turned(once_hz / rate_hz, np.arange(size)), axis=2)
        low, high = (round((0.5 * once_hz - away_hz) * size / rate_hz) for away_hz in (far, LOOKED_AT_HZ[0]))
        both = sound[:, :, low:high] * image[:, :, size - low : size - high : -1]
        phases = both / (np.abs(both) + 1e-30) * _turned(once_hz / rate_hz, begins)[:, np.newaxis]
        locked = np.abs(np.mean(phases, axis=1))
        there = float(np.median(np.square(np.abs(sound[:, :, low:high]))))
        if float(np.median(locked)) > LOCKED and there > 0.375 * size * 10.0 ** (0.1 * SOUND_DBFS):
            return Images(once_hz=once_hz, level_to_hz=_level_to(sound, image, once_hz, rate_hz, size))
    return None


def _turned(cycles: float, at: NDArray[np.int64]) -> NDArray[np.complex128]:
    """A turn back by so many cycles a frame, at some frames."""
    return np.asarray(np.exp(-2j * np.pi * np.mod(cycles * at, 1.0)))


def _level_to(
    sound: NDArray[np.complex128], image: NDArray[np.complex128], once_hz: int, rate_hz: float, size: int
) -> float:
    """The highest frequency under the old half rate whose image is faint, or lies above the half rate of today."""
    first = max(1, int((once_hz - 0.5 * rate_hz) * size / rate_hz) + 1)
    bins = np.arange(first, int(0.5 * once_hz * size / rate_hz) + 1)
    levels = (np.median(np.square(np.abs(x)), axis=1) for x in (sound[:, :, bins], image[:, :, size - bins]))
    power, mirrored = (level.sum(axis=0) for level in levels)
    faint = np.flatnonzero(mirrored < 10.0 ** (0.1 * FAINT_DB) * power)
    return float(bins[faint[-1] if len(faint) else 0]) * rate_hz / size
