"""Levels against plain numpy."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.level.sample_levels import LevelSums, SampleMeter, all_numbers, window_means
from sidekeep.units import power_to_db


def measure_levels(audio: NDArray[np.float64], *, rate_hz: int) -> LevelSums:
    """Levels of a whole (frames, channels) array."""
    meter = SampleMeter(rate_hz, audio.shape[1])
    meter.process(audio)
    meter.finish()
    return meter.sums()


def test_full_scale_sine_reads_minus_3() -> None:
    """Definition (units.py): rms_dbfs is plain 20 log10(rms)."""
    sine = np.sin(2.0 * np.pi * 1000.0 * np.arange(48000) / 48000.0)[:, None]
    sums = measure_levels(sine, rate_hz=48000)
    assert power_to_db(float(sums.power[0])) == pytest.approx(-3.0103, abs=1e-4)
    assert sums.peak[0] == pytest.approx(1.0, abs=1e-9)
    assert sums.balance_db == 0.0


def test_equals_plain_numpy(rng: np.random.Generator) -> None:
    audio = rng.normal(0.0, 0.1, (30123, 2)) @ [[1.0, 0.4], [0.1, 0.8]] + [0.01, -0.02]
    sums = measure_levels(audio, rate_hz=48000)
    assert sums.frames == 30123
    np.testing.assert_allclose(sums.dc, np.mean(audio, axis=0), atol=1e-14)
    np.testing.assert_allclose(sums.power, np.var(audio, axis=0), rtol=1e-10)
    np.testing.assert_allclose(sums.peak, np.abs(audio).max(axis=0))
    assert sums.correlation == pytest.approx(float(np.asarray(np.corrcoef(audio.T))[0, 1]), abs=1e-12)
    assert sums.balance_db == pytest.approx(10.0 * np.log10(np.var(audio[:, 0]) / np.var(audio[:, 1])))
    mid, side = audio.sum(axis=1), audio[:, 0] - audio[:, 1]
    assert sums.side_to_mid_db == pytest.approx(10.0 * np.log10(np.var(side) / np.var(mid)), abs=1e-9)


def test_chosen_windows_only(rng: np.random.Generator) -> None:
    audio = rng.normal(0.0, 0.1, (48000, 2))
    audio[:4800] = 0.9
    meter = SampleMeter(48000, 2)
    meter.process(audio)
    meter.finish()
    chosen = np.arange(10) >= 1
    np.testing.assert_allclose(meter.sums(chosen).dc, audio[4800:].mean(axis=0), atol=1e-14)
    assert meter.sums(chosen).peak.max() < 0.9
    assert meter.sums(np.zeros(10, bool)).frames == 0


def test_one_sided_peak_and_equal_frames() -> None:
    audio = np.zeros((1000, 2))
    audio[10, 0] = -0.7
    sums = measure_levels(audio, rate_hz=8000)
    assert sums.peak[0] == 0.7
    assert sums.equal_share == pytest.approx(0.999)


def test_a_constant_has_no_power() -> None:
    assert measure_levels(np.full((1000, 2), 0.3), rate_hz=8000).power.max() == 0.0


@pytest.mark.parametrize("channels", [1, 2])
def test_means_over_windows_are_plain_numpy(channels: int, rng: np.random.Generator) -> None:
    audio = rng.normal(0.1, 0.2, (4 * 480 + 37, channels))
    found = window_means(audio, 480)
    windows = audio[: 4 * 480].reshape(4, 480, channels)
    np.testing.assert_allclose(found.power, (windows**2).mean(axis=1), rtol=1e-12)
    np.testing.assert_allclose(found.mean, windows.mean(axis=1), rtol=1e-12)
    np.testing.assert_allclose(found.slope, (np.diff(windows, axis=1) ** 2).mean(axis=(1, 2)), rtol=1e-12)


@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf])
def test_one_sample_that_is_no_number_is_seen(odd: float, rng: np.random.Generator) -> None:
    audio = rng.standard_normal((1001, 2))
    assert all_numbers(audio)
    assert all_numbers(np.full((100, 2), -1.7e308))  # their sum would not be a number
    assert all_numbers(audio[::3])
    audio[700, 1] = odd
    assert not all_numbers(audio)
