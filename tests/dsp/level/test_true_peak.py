"""True peak: skipping changes nothing, and nothing is lost at edges. The standard is in tests/conformance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sidekeep.dsp.level.true_peak import (
    TAPS,
    TruePeakMeter,
    curve_norm,
    interpolation_bank,
    measure_true_peak,
    peak_factor,
    true_peak_of_piece,
)
from sidekeep.errors import ParameterError


def plain_peaks(audio: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    """The twin: every point of every window, nothing skipped."""
    window = rate_hz // 10
    count = -(-len(audio) // window)
    bank = interpolation_bank(peak_factor(rate_hz))
    padded = np.zeros((TAPS // 2 - 1 + count * window + TAPS // 2, audio.shape[1]))
    padded[TAPS // 2 - 1 : TAPS // 2 - 1 + len(audio)] = audio
    pieces = np.lib.stride_tricks.sliding_window_view(padded, TAPS, axis=0)
    points = np.abs(np.concatenate((pieces @ bank.T, pieces[:, :, [TAPS // 2 - 1]]), axis=2)).max(axis=2)
    return np.asarray(points.reshape(count, window, audio.shape[1]).max(axis=1))


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 65535),
    length=st.integers(1, 3000),
    smooth=st.sampled_from([0.0, 0.5, 0.9, 0.99]),
    rate_hz=st.sampled_from([8000, 88200]),
)
def test_skipping_is_exact(seed: int, length: int, smooth: float, rate_hz: int) -> None:
    from scipy.signal import lfilter

    noise = np.random.default_rng(seed).standard_normal((length, 2))
    audio = np.asarray(lfilter([1.0], [1.0, -smooth], noise, axis=0)) * 0.1
    meter = TruePeakMeter(rate_hz, 2)
    meter.process(audio)
    meter.finish()
    np.testing.assert_allclose(meter.peaks, plain_peaks(audio, rate_hz), rtol=1e-12)
    assert meter.peak == meter.peaks.max()
    assert measure_true_peak(audio, rate_hz=rate_hz) == meter.peaks.max()  # which looks for the highest only


def test_bound_holds_where_it_is_tightest() -> None:
    """A sound whose second differences have the signs of the worst phase reaches the bound."""
    bank = interpolation_bank(4)
    norm = curve_norm(bank)
    middle = TAPS // 2 - 1
    reached = 0.0
    for phase, row in enumerate(bank, 1):
        rest = row.copy()
        rest[middle] -= 1.0 - phase / 4
        rest[middle + 1] -= phase / 4
        second = np.sign(np.cumsum(np.cumsum(rest)))
        line = np.concatenate(([0.0, 0.0], np.cumsum(np.cumsum(second))))[:TAPS]
        chord = line[middle] + phase / 4 * (line[middle + 1] - line[middle])
        reached = max(reached, abs(float(row @ line) - chord))
    assert reached <= norm
    assert reached == pytest.approx(norm, rel=1e-6)


def test_a_stretch_sees_its_neighbours() -> None:
    """A dip just before a smooth stretch makes it ring there: highest where nothing near is bent."""
    frames = np.arange(2400)
    dip = 0.05
    # It rises a little all along, so that the highest sample, where the search begins, lies far off.
    audio = 0.5 + 2e-7 * frames - 0.1 * dip * np.clip(961 - frames, 0, 40)
    audio[958] -= dip
    meter = TruePeakMeter(8000, 1)
    meter.process(audio[:, None])
    meter.finish()
    assert meter.peaks[1, 0] == pytest.approx(plain_peaks(audio[:, None], 8000)[1, 0], rel=1e-12)
    assert meter.peaks[1, 0] > 0.5 + 0.08 * dip


@pytest.mark.parametrize("factor", [4, 8])
def test_straight_lines_stay_straight(factor: int) -> None:
    bank = interpolation_bank(factor)
    line = 0.3 + 0.01 * (np.arange(TAPS) - (TAPS // 2 - 1))
    points = 0.3 + 0.01 * np.arange(1, factor) / factor
    np.testing.assert_allclose(bank @ line, points, rtol=1e-12)


def test_peak_in_the_last_frames_is_seen() -> None:
    audio = np.zeros((4801, 1))
    audio[-1] = -0.9
    assert measure_true_peak(audio, rate_hz=48000) >= 0.9
    assert measure_true_peak(np.zeros((0, 2)), rate_hz=48000) == 0.0


def test_what_is_lower_than_the_least_is_not_looked_for(rng: np.random.Generator) -> None:
    audio = rng.uniform(-0.4, 0.4, (9000, 2))
    peak = measure_true_peak(audio, rate_hz=44_100)
    assert measure_true_peak(audio, rate_hz=44_100, least=0.9 * peak) == peak
    assert measure_true_peak(audio, rate_hz=44_100, least=1.1 * peak) == 1.1 * peak


def test_peaks_are_kept_per_window() -> None:
    audio = np.zeros((48000, 2))
    audio[12000:12003, 1] = [0.5, 0.5, 0.5]
    meter = TruePeakMeter(48000, 2)
    meter.process(audio)
    meter.finish()
    assert meter.peaks.shape == (10, 2)
    assert meter.peaks[2, 1] > 0.53
    assert meter.peaks[2, 0] == 0.0
    assert meter.peaks[7, 1] == 0.0


def test_factor_and_refusals() -> None:
    assert [peak_factor(rate) for rate in (44100, 48000, 88200, 192000)] == [8, 8, 4, 4]
    with pytest.raises(ParameterError, match="taps=9"):
        interpolation_bank(4, 9)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 65535), length=st.integers(0, 700), at=st.integers(0, 300))
def test_a_piece_is_judged_by_what_lies_within_it(seed: int, length: int, at: int) -> None:
    audio = np.random.default_rng(seed).standard_normal((1000, 2)) * 0.1
    piece = audio[at : at + length]
    expected = float(np.abs(piece).max(initial=0.0))
    if length >= TAPS:
        bank = interpolation_bank(peak_factor(8000))
        points = np.lib.stride_tricks.sliding_window_view(piece, TAPS, axis=0) @ bank.T
        expected = max(expected, float(np.abs(points).max()))
    assert true_peak_of_piece(piece, rate_hz=8000) == pytest.approx(expected, rel=1e-12)
    assert true_peak_of_piece(piece, rate_hz=8000, least=1.0) == 1.0
