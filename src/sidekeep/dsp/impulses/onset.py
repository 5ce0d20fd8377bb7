"""Whether a sound sets in where something was mended: then what was taken out was more likely its attack than damage.

Conventions: ``own`` (frames, walls) is the sound with the repair in place. What a person sees at once, a stroke that begins
there and rings on, no other question asks: they look at the place itself and at its treble. Damage falls anywhere in the music,
on an onset no more often than elsewhere.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.masking import WINDOW_S

Floats = NDArray[np.float64]

EDGES_HZ = np.array([125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0])
"""Of seven octaves."""
APART_S = 1024 / 44_100
"""How long before the place the sound is looked at: a stroke may begin a little before what was taken for damage, and two
repairs may lie on one attack."""
RISEN_OCTAVES, RISEN_DB = 3, 8.0
"""A sound sets in where so many octaves are louder behind the place by so much. On some 220 clean records beneath 23 of 85
false repairs and beneath 5 of 731 right ones; from 6 dB on 24 and 13, with four octaves 12 and 4, with the sound right before the
place for that 23 ms earlier 9 and 4."""
FLOOR = 1e-12
"""Power beneath which there is nothing."""


def risen_db(own: Floats, wall: int, first: int, last: int, rate_hz: float) -> float:
    """By how much the sound behind ``[first, last)`` is louder than that a little before it, in the ``RISEN_OCTAVES`` that rose
    most, on the wall or in the sum of both. Minus infinity where there is not enough sound beside it."""
    wide, apart = round(WINDOW_S * rate_hz), round(APART_S * rate_hz)
    begin = first - apart - wide
    if begin < 0 or last + wide > len(own):
        return float("-inf")
    most = float("-inf")
    for sound in (own[:, wall], own.mean(axis=1)):
        before = octave_levels(sound[begin : begin + wide], rate_hz)
        behind = octave_levels(sound[last : last + wide], rate_hz)
        most = max(most, float(np.sort(behind - before)[-RISEN_OCTAVES]))
    return most


@lru_cache(maxsize=4)
def _window(count: int, rate_hz: float) -> tuple[Floats, NDArray[np.int64]]:
    """A window under which noise keeps its power, and the octave of each frequency in it, from 1 on."""
    window = np.hanning(count + 2)[1:-1]
    window /= np.sqrt(count * float(np.square(window).sum()))
    return window, np.searchsorted(EDGES_HZ, np.arange(count // 2 + 1) * rate_hz / count, "right")


def octave_levels(frames: Floats, rate_hz: float) -> Floats:
    """Level of each octave in a window of frames, in dB."""
    window, octaves = _window(len(frames), rate_hz)
    spectrum = np.fft.rfft(frames * window)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    sums = np.bincount(octaves, power, len(EDGES_HZ) + 1)[1 : len(EDGES_HZ)]
    return np.asarray(10.0 * np.log10(sums + FLOOR))
