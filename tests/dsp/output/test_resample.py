"""Change of rate: length, alignment, fidelity."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.output.resample import Resampler, resample, resampled_frames
from sidekeep.errors import ParameterError


@pytest.mark.parametrize(
    ("rate_hz", "new_rate_hz"), [(96000, 44100), (96000, 48000), (192000, 44100), (44100, 48000)]
)
def test_a_sine_stays_that_sine_in_place(rate_hz: int, new_rate_hz: int) -> None:
    """Against the formula: 997 Hz at the new rate, aligned with the first frame, error below -120 dB."""
    seconds = 0.5
    time_s = np.arange(int(rate_hz * seconds)) / rate_hz
    new_time_s = np.arange(int(new_rate_hz * seconds)) / new_rate_hz
    result = resample(
        0.5 * np.sin(2 * np.pi * 997.0 * time_s)[:, None], rate_hz=rate_hz, new_rate_hz=new_rate_hz
    )
    error = result[:, 0] - 0.5 * np.sin(2 * np.pi * 997.0 * new_time_s)
    inner = error[len(error) // 5 : -len(error) // 5]
    assert 20.0 * np.log10(np.abs(inner).max() / 0.5) < -120.0


def test_what_does_not_fit_is_gone() -> None:
    """30 kHz cannot live at 44.1 kHz: nothing of it may fold back (below -120 dB)."""
    time_s = np.arange(48000) / 96000
    result = resample(np.sin(2 * np.pi * 30000.0 * time_s)[:, None], rate_hz=96000, new_rate_hz=44100)
    assert np.abs(result[5000:-5000]).max() < 1e-6


def test_length_is_the_nearest() -> None:
    """One CD sector of 588 frames is 1/75 s (IEC 60908): 1280 frames at 96 kHz."""
    assert resampled_frames(1280 * 75, 96000, 44100) == 588 * 75
    assert resampled_frames(0, 96000, 44100) == 0
    assert resampled_frames(1, 96000, 44100) == 0
    assert resampled_frames(2, 96000, 44100) == 1
    for length in (1, 2, 3, 4095, 4096, 4097, 50001):
        result = resample(np.ones((length, 2)), rate_hz=96000, new_rate_hz=44100)
        assert result.shape == (resampled_frames(length, 96000, 44100), 2)


def test_equal_rates_touch_nothing(rng: np.random.Generator) -> None:
    audio = rng.standard_normal((1000, 2))
    np.testing.assert_array_equal(resample(audio, rate_hz=44100, new_rate_hz=44100), audio)


def test_refusals() -> None:
    with pytest.raises(ParameterError, match="new_rate_hz=0"):
        Resampler(44100, 0, 2)
    with pytest.raises(ParameterError, match=r"must be \(frames, 2\)"):
        Resampler(44100, 48000, 2).process(np.zeros((5, 1)))
