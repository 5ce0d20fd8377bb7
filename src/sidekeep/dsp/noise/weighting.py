"""Frequency weightings of noise measurement, as responses in dB.

Conventions: frequencies in Hz, scalar or array, 0 Hz allowed; results in dB, never below
``FLOOR_DB`` so that sums stay finite. Pure functions of frequency: weigh a power spectrum with them
(``weighted_power``) rather than filter the audio.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sidekeep.errors import ParameterError

FLOOR_DB = -300.0
"""What a weighting reads where its response is zero."""

_A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
_A_OFFSET_DB = 2.0000

_BS468_H1 = (-4.737338981378384e-24, 2.043828333606125e-15, -1.363894795463638e-7, 1.0)
_BS468_H2 = (1.306612257412824e-19, -2.118150887518656e-11, 5.559488023498642e-4)
_BS468_SLOPE = 1.246332637532143e-4
_BS468_OFFSET_DB = 18.2

RUMBLE_TONE_HZ = 315.0
"""The level tone of rumble records: the top of the weighted curve, still flat on the plain one."""


def _frequencies(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(np.isfinite(frequency)) or np.any(frequency < 0.0):
        raise ParameterError("frequency_hz must be finite and 0 or more")
    return frequency


def _db(response: NDArray[np.float64]) -> NDArray[np.float64]:
    return 20.0 * np.log10(np.maximum(response, 10.0 ** (FLOOR_DB / 20.0)))


def a_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """A-weighting: 0 dB at 1 kHz.

    Source: IEC 61672-1, annex E (analytic form with the four pole frequencies).
    """
    square = _frequencies(frequency_hz) ** 2
    f1, f2, f3, f4 = (pole**2 for pole in _A_POLES_HZ)
    response = f4 * square**2 / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4))
    return _db(response) + _A_OFFSET_DB


def bs468_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """ITU-R BS.468-4 noise weighting: 0 dB at 1 kHz, +12.2 dB at 6.3 kHz.

    The closed form of the standard's passive network; within 0.1 dB of its Table 1.
    """
    f = _frequencies(frequency_hz)
    h1 = _BS468_H1[0] * f**6 + _BS468_H1[1] * f**4 + _BS468_H1[2] * f**2 + _BS468_H1[3]
    h2 = _BS468_H2[0] * f**5 + _BS468_H2[1] * f**3 + _BS468_H2[2] * f
    return _db(_BS468_SLOPE * f / np.sqrt(h1**2 + h2**2)) + _BS468_OFFSET_DB


def plain_rumble_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Unweighted rumble ("curve A"): flat 10-315 Hz, 6 dB/octave below, 12 dB/octave above.

    Straight-line shape of DIN 45539 (1964 text), from memory, +-2 dB.
    """
    f = _frequencies(frequency_hz)
    return _db(np.minimum(f / 10.0, 1.0) / np.maximum(f / RUMBLE_TONE_HZ, 1.0) ** 2)


def weighted_rumble_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Weighted rumble ("curve B"): 0 dB at 315 Hz, 12 dB/octave to both sides.

    Straight-line shape of DIN 45539, from memory, +-2 dB.
    """
    ratio = _frequencies(frequency_hz) / RUMBLE_TONE_HZ
    return _db(np.minimum(ratio, 1.0) ** 2 / np.maximum(ratio, 1.0) ** 2)


def weighted_power(
    power: NDArray[np.float64], frequency_hz: NDArray[np.float64], weighting_db: NDArray[np.float64]
) -> float:
    """Sum of a power spectrum (one value a bin, same length as ``frequency_hz``) through a weighting."""
    if not power.shape == frequency_hz.shape == weighting_db.shape:
        raise ParameterError(
            f"power {power.shape}, frequency_hz {frequency_hz.shape} and weighting_db {weighting_db.shape} "
            "must have one shape"
        )
    return float(np.sum(power * 10.0 ** (weighting_db / 10.0)))
