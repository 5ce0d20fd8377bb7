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
"""IEC 61672-1, annex E."""


def _frequencies(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(np.isfinite(frequency)) or np.any(frequency < 0.0):
        raise ParameterError("weighting-frequency")
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


def weighted_power(
    power: NDArray[np.float64], frequency_hz: NDArray[np.float64], weighting_db: NDArray[np.float64]
) -> float:
    """Sum of a power spectrum (one value a bin, same length as ``frequency_hz``) through a weighting."""
    if not power.shape == frequency_hz.shape == weighting_db.shape:
        raise ParameterError(
            "weighting-shapes",
            power_shape=power.shape,
            frequency_shape=frequency_hz.shape,
            weighting_shape=weighting_db.shape,
        )
    return float(np.sum(power * 10.0 ** (weighting_db / 10.0)))
