"""True peak: EBU Tech 3341 cases 15 to 23 and ITU-R BS.1770-5 Annex 2.

The tones are faded in and out over 5 ms: an abrupt start makes even the filter printed in the standard read
out of tolerance. Tolerance +0.2 / -0.4 dB (Tech 3341).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.level.true_peak import (
    interpolation_bank,
    measure_true_peak,
    peak_factor,
)

RATES_HZ = (44100, 48000, 88200, 96000, 192000)
ANNEX_2 = (
    (14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68),
    (-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155),
)
"""Printed in BS.1770 Annex 2, in units of 2**-13; the other two phases are these mirrored."""


def annex_2_bank() -> NDArray[np.float64]:
    """The 48-tap, four-phase filter printed in BS.1770 Annex 2; shape (4, 12)."""
    first, second = np.array(ANNEX_2, dtype=np.float64) / 8192.0
    return np.stack((first, second, second[::-1], first[::-1]))


def annex_2_peak(audio: NDArray[np.float64]) -> float:
    """Linear peak of a whole array as the filter printed in Annex 2 reads it; for comparison."""
    bank = annex_2_bank()
    padded = np.pad(audio, ((bank.shape[1], bank.shape[1]), (0, 0)))
    pieces = np.lib.stride_tricks.sliding_window_view(padded, bank.shape[1], axis=0)
    return float(np.abs(pieces @ bank.T).max())


def decibels(peak: float) -> float:
    return 20.0 * math.log10(peak)


def faded(audio: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    frames = round(0.005 * rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(frames) / frames)
    audio = audio.copy()
    audio[:frames] *= ramp
    audio[-frames:] *= ramp[::-1]
    return np.repeat(audio[:, None], 2, axis=1)


def tone(
    rate_hz: int, divisor: float, amplitude: float, phase_degrees: float, length_s: float = 1.0
) -> NDArray[np.float64]:
    frames = np.arange(round(rate_hz * length_s))
    return faded(amplitude * np.sin(2 * np.pi * frames / divisor + np.radians(phase_degrees)), rate_hz)


CASES = [
    (15, 4, 0.50, 0.0, -6.0),
    (16, 4, 0.50, 45.0, -6.0),
    (17, 6, 0.50, 60.0, -6.0),
    (18, 8, 0.50, 67.5, -6.0),
    (19, 4, 1.41, 45.0, 3.0),
]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("case", "divisor", "amplitude", "phase", "expected"), CASES)
def test_cases_15_to_19(
    case: int, divisor: int, amplitude: float, phase: float, expected: float, rate_hz: int
) -> None:
    audio = tone(rate_hz, divisor, amplitude, phase)
    assert -0.4 <= decibels(measure_true_peak(audio, rate_hz=rate_hz)) - expected <= 0.2


@pytest.mark.parametrize(("case", "divisor", "amplitude", "phase", "expected"), CASES)
def test_the_printed_filter_on_cases_15_to_19(
    case: int, divisor: int, amplitude: float, phase: float, expected: float
) -> None:
    """The filter of Annex 2 itself: -6.22 to -5.98 dBTP and +3.03 (computed)."""
    reading = decibels(annex_2_peak(tone(48000, divisor, amplitude, phase)))
    assert -0.4 <= reading - expected <= 0.2


@pytest.mark.parametrize("offset", [0, 1, 2, 3])
@pytest.mark.parametrize("rate_hz", [48000, 96000])
def test_cases_20_to_23_one_cycle_between_the_samples(offset: int, rate_hz: int) -> None:
    """Made at four times the rate: a sine of rate/6 at 0.50 with one cycle at 1.00, low-passed and decimated
    from each offset; true peak 0.0 dBTP (definition from memory)."""
    from scipy.signal import firwin, oaconvolve

    fine = np.arange(4 * rate_hz // 2)
    sine = np.sin(2.0 * np.pi * fine / 24.0)
    amplitude = np.full(len(fine), 0.5)
    middle = len(fine) // 48 * 24
    amplitude[middle : middle + 24] = 1.0
    low_passed = oaconvolve(amplitude * sine, firwin(1023, 0.245), mode="same")
    audio = faded(low_passed[offset::4], rate_hz)
    assert -0.4 <= decibels(measure_true_peak(audio, rate_hz=rate_hz)) <= 0.2


def test_the_printed_filter_is_the_printed_filter() -> None:
    """Annex 2: four phases of twelve taps; sums as computed from the printed numbers."""
    bank = annex_2_bank()
    np.testing.assert_allclose(bank.sum(axis=1), [1.001587, 0.973022, 0.973022, 1.001587], atol=1e-6)
    response = np.abs(bank @ np.exp(-2j * np.pi * np.outer(np.arange(12), [0.253, 0.42, 0.45, 0.48])))
    # Worst over-read +0.222 dB at 0.253 of the rate; the highest phase at 0.42, 0.45 and 0.48 (computed).
    readings = 20.0 * np.log10(response.max(axis=0))
    np.testing.assert_allclose(readings, [0.222, -0.118, -0.418, -0.717], atol=0.002)


@pytest.mark.parametrize("factor", [4, 8])
def test_our_filter_is_flatter_than_the_printed_one(factor: int) -> None:
    """Annex 2's strays by -0.42 .. +0.22 dB up to 0.45 of the rate; ours by 0.012 dB or less."""
    taps = np.arange(48)
    hz = np.linspace(0.0, 0.45, 901)
    response = np.abs(interpolation_bank(factor) @ np.exp(-2j * np.pi * np.outer(taps, hz)))
    assert np.abs(20.0 * np.log10(response)).max() < 0.012


# BS.1770 Annex 2: most that a reading at n times the rate can miss, dB (computed from the formula).
UNDER_READ_DB = {
    4: (0.554, 0.688),
    8: (0.136, 0.169),
    10: (0.087, 0.108),
    14: (0.044, 0.055),
    16: (0.034, 0.042),
    32: (0.008, 0.010),
}


def under_read_db(factor: int, share: float) -> float:
    return -20.0 * math.log10(math.cos(math.pi * share / factor))


@pytest.mark.parametrize("factor", UNDER_READ_DB)
def test_under_read_table(factor: int) -> None:
    at_045, at_05 = UNDER_READ_DB[factor]
    assert under_read_db(factor, 0.45) == pytest.approx(at_045, abs=0.001)
    assert under_read_db(factor, 0.5) == pytest.approx(at_05, abs=0.001)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_never_under_reads_by_more_than_the_table(rate_hz: int) -> None:
    """Steady tones up to 0.45 of the rate at many phases: the grid's own bound, plus 0.02 dB of ripple."""
    bound_db = under_read_db(peak_factor(rate_hz), 0.45)
    for share in (0.11, 0.2501, 1.0 / 3.0, 0.4, 0.45):
        for phase in np.linspace(0.0, 180.0, 7):
            audio = tone(rate_hz, 1.0 / share, 0.5, float(phase), length_s=0.2)
            error_db = decibels(measure_true_peak(audio, rate_hz=rate_hz)) - decibels(0.5)
            assert -bound_db - 0.02 <= error_db <= 0.02
