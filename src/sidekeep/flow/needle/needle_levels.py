"""What the needle watch looks at: a few levels for every 50 ms, made so that ticks and hum cannot move them.

``sway`` is below some 60 Hz (rumble, warp), ``mid`` 0.5 to 2 kHz, ``high`` 2 to 8 kHz; mid and high are the lower quartile of
four parts, so a click, however loud, does not lift them. Groove noise falls with frequency while the noise of amplifiers
is even, so the groove stands out most in mid (common practice, no source). ``roughness`` says how far a spectrum is
from the smooth slope of noise. Levels are dB of mean power, summed over the channels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.ports import Audio

Floats = NDArray[np.float64]

WINDOW_S = 0.05
"""A twentieth of a second: three periods of a 60 Hz hum. Chosen by hand, no finer reason."""
PARTS = 4
"""Spectra are taken of so many parts of a window, the lower ones counting: a click spoils one or two."""
SILENT_DB = -140.0
"""Levels end here: below the noise of any converter."""
SWAY, MID, HIGH = 0, 1, 2
_SWAY_SMOOTHING_HZ = 60.0
"""Below this is what a turning disc moves by: rumble and the sway of warp. Chosen by hand, no finer reason."""
_BANDS_HZ = ((500.0, 2_000.0), (2_000.0, 8_000.0))
"""Groove noise shows here: above hum and rumble, below where takes at low rates end. Chosen by hand, no finer reason."""
_SHAPE_HZ = (500.0, 4_000.0)
"""Where the shape of a spectrum tells music from noise. Chosen by hand, no finer reason."""
_USUAL = 0.6
"""The usual step of a window is this quantile of them. Chosen by hand, no finer reason."""
_TICK = 8.0
"""A step this many times the usual one within its window is a tick; Gaussian noise reaches about 4.5."""


@dataclass(frozen=True)
class WindowLevels:
    """One row per window. ``levels`` (windows, 3): sway, mid, high; ``loudness``: all that is audible;
    ``shapes``: mean power spectra from 0.5 to 4 kHz; ``steps``: the largest step between two samples."""

    levels: Floats
    loudness: Floats
    shapes: Floats
    steps: Floats
    ticks: NDArray[np.bool_]


class Levels:
    """Measures blocks of whole windows."""

    def __init__(self, rate_hz: int) -> None:
        self.window_frames = max(PARTS, round(WINDOW_S * rate_hz) // PARTS * PARTS)
        self._part = self.window_frames // PARTS
        self._rate_hz = rate_hz
        self._taper = np.hanning(self._part)[:, None]
        scale = 2.0 / (self._part * float((self._taper**2).sum()))
        self._scale = scale
        hz: Floats = np.fft.rfftfreq(self._part, 1.0 / rate_hz).astype(np.float64)
        top = 0.45 * rate_hz
        self._bands = [_bins(hz, low, min(high, top)) for low, high in _BANDS_HZ]
        self._audible = _bins(hz, _BANDS_HZ[0][0], min(_BANDS_HZ[-1][1], top))
        self._shape = _bins(hz, _SHAPE_HZ[0], min(_SHAPE_HZ[1], top))
        self._steps = max(1, int(rate_hz / (2.0 * _SWAY_SMOOTHING_HZ)))

    def measure(self, audio: Audio) -> WindowLevels:
        """``audio`` (windows * window_frames, channels)."""
        count, channels = len(audio) // self.window_frames, audio.shape[1]
        windows = audio.reshape(count, self.window_frames, channels)
        slow = windows[:, : self.window_frames // self._steps * self._steps]
        slow = slow.reshape(count, -1, self._steps, channels).mean(axis=2)
        sway = slow.var(axis=1).sum(axis=1)
        parts = windows.reshape(count, PARTS, self._part, channels)
        lines = np.fft.rfft(parts * self._taper, axis=2)
        spectra = _over_channels(np.square(lines.real) + np.square(lines.imag)) * self._scale
        # Neighbour parts overlap nothing, so one click spoils one or two of the four: the lower ones count.
        bands = [np.sort(spectra[:, :, band].sum(axis=2), axis=1)[:, :2].mean(axis=1) for band in self._bands]
        moves = np.abs(np.diff(windows, axis=1))
        steps = moves.reshape(count, -1).max(axis=1)
        usual = np.sqrt(_usual(_over_channels(np.square(moves)) / channels) + 1e-20)
        return WindowLevels(
            levels=_db(np.stack([sway, *bands], axis=1)),
            loudness=_db(spectra[:, :, self._audible].sum(axis=2).mean(axis=1)),
            shapes=spectra[:, :, self._shape].mean(axis=1),
            steps=steps,
            ticks=steps > _TICK * usual,
        )


def _bins(hz: Floats, low: float, high: float) -> slice:
    """Those from ``low`` to below ``high``."""
    first, stop = np.searchsorted(hz, (low, high))
    return slice(int(first), int(max(first, stop)))


def _over_channels(powers: Floats) -> Floats:
    """Sum over the last axis. It is short, and the library would sum along it place by place, many times as slowly."""
    total: Floats = powers[..., 0].copy()
    for channel in range(1, powers.shape[-1]):
        total += powers[..., channel]
    return total


def _usual(rows: Floats) -> Floats:
    """The quantile ``_USUAL`` of every row, straight between neighbours."""
    place = _USUAL * (rows.shape[1] - 1)
    low = int(place)
    high = min(low + 1, rows.shape[1] - 1)
    parted = np.partition(rows, (low, high), axis=1)
    usual: Floats = parted[:, low] + (place - low) * (parted[:, high] - parted[:, low])
    return usual


def roughness_db(shapes: Floats) -> float:
    """Standard deviation in dB of a mean spectrum around its own slope: about 1 for any noise, 5 to 20 for music."""
    mean = np.log10(shapes.mean(axis=0) + 1e-20) * 10.0
    x = np.log10(np.arange(1, len(mean) + 1) + 5.0)
    x = x - x.mean()
    slope = float(x @ (mean - mean.mean()) / (x @ x))
    return float(np.std(mean - mean.mean() - slope * x))


def _db(power: Floats) -> Floats:
    return np.asarray(np.maximum(SILENT_DB, 10.0 * np.log10(power + 1e-20)))
