"""Whether what was taken out can be heard beside what is left: the masked threshold of the standards of perceptual coding.

Conventions: one channel. The model is the first of ISO/IEC 11172-3 (1993), annex D, from memory: levels in the critical bands of
Zwicker (1961), each band masking itself and its neighbours by the standard's slopes. All sound counts as tones, which mask least.
In quiet the threshold is Terhardt's (Hearing Research 1, 1979, from memory), and full scale is 96 dB over 20 uPa as in the
standard. Nothing is taken to be masked by what came before or comes after the window of 12 ms.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_LOW_EDGES_HZ = (0, 100, 200, 300, 400, 510, 630, 770, 920, 1080, 1270, 1480, 1720, 2000, 2320, 2700, 3150)
EDGES_HZ = np.array([*_LOW_EDGES_HZ, 3700, 4400, 5300, 6400, 7700, 9500, 12000, 15500])
"""Of the 24 critical bands; what lies above the last is not asked: under 30 dB over the threshold in quiet few adults hear it."""
BARK = np.arange(24) + 0.5
WINDOW_S = 512 / 44_100
"""The standard's at 44.1 kHz."""
FULL_SCALE_DB = 96.0
"""Where the standard lays a sine of full scale, in dB over 20 uPa (from memory)."""


@lru_cache(maxsize=4)
def _window(count: int, rate_hz: float) -> tuple[Floats, NDArray[np.int64]]:
    """A window that gives a sine of full scale a power of 1, and the band of each frequency in it."""
    window = np.hanning(count + 1)[:count]
    window *= np.sqrt(4.0 / (count * float(np.square(window).sum())))
    bands = np.searchsorted(EDGES_HZ, np.arange(count // 2 + 1) * rate_hz / count, "right") - 1
    return window, bands


def band_levels(frames: Floats, rate_hz: float) -> Floats:
    """Level in each critical band, in dB over 20 uPa, of a window of frames; a sine of full scale has ``FULL_SCALE_DB``."""
    window, bands = _window(len(frames), rate_hz)
    spectrum = np.fft.rfft(frames * window)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    sums = np.bincount(bands, power, len(EDGES_HZ))[: len(BARK)]
    return np.asarray(FULL_SCALE_DB + 10.0 * np.log10(sums + 1e-20))


def quiet_threshold() -> Floats:
    """Of each band, at its middle, in dB over 20 uPa."""
    khz = 0.5e-3 * (EDGES_HZ[1:] + EDGES_HZ[:-1])
    return np.asarray(3.64 * khz**-0.8 - 6.5 * np.exp(-0.6 * np.square(khz - 3.3)) + 1e-3 * khz**4)


@lru_cache(maxsize=1)
def _slopes() -> tuple[Floats, Floats, Floats]:
    """What a band (row) masks in another (column): dB for each dB of its level, and dB beside; and the power masked in quiet."""
    apart = BARK[np.newaxis, :] - BARK[:, np.newaxis]
    where = [apart < -3.0, apart < -1.0, apart < 0.0, apart < 1.0, apart < 8.0]
    each = np.select(where, [0.0, -0.4, 0.4 * apart, 0.0, 0.15 * (apart - 1.0)], 0.0)
    beside = np.select(
        where, [-np.inf, 17.0 * apart + 11.0, 6.0 * apart, -17.0 * apart, -17.0 * apart], -np.inf
    )
    return each + 1.0, beside - 6.025 - 0.275 * BARK[:, np.newaxis], 10.0 ** (0.1 * quiet_threshold())


def masked_threshold(levels: Floats) -> Floats:
    """The level in each band under which nothing is heard beside sound with such ``levels``, in dB over 20 uPa."""
    each, beside, in_quiet = _slopes()
    masked = np.exp(0.1 * np.log(10.0) * (each * levels[:, np.newaxis] + beside))
    return np.asarray(10.0 * np.log10(masked.sum(axis=0) + in_quiet))


def heard_db(before: Floats, after: Floats, first: int, last: int, rate_hz: float) -> float:
    """How far the difference of two sounds round ``[first, last)`` stands over what ``after`` masks, in its plainest band, in dB.

    Below 0 it is not heard. Infinite where there is not a window's sound round it.
    """
    wide = round(WINDOW_S * rate_hz)
    begin = (first + last - wide) // 2
    if begin < 0 or begin + wide > len(after):
        return float("inf")
    own = after[begin : begin + wide]
    out = before[begin : begin + wide] - own
    return float((band_levels(out, rate_hz) - masked_threshold(band_levels(own, rate_hz))).max())
