"""Mains hum, and what must not be taken for it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.noise.hum import _line_power, _weighed, find_hum
from sidekeep.dsp.noise.low_rate import Decimator, decimate, low_factor, low_pass
from sidekeep.errors import ParameterError

Floats = NDArray[np.float64]
RATE_HZ = 8000


def chain_noise(rng: np.random.Generator, length_s: float, level_dbfs: float = -60.0) -> Floats:
    """Two channels of noise that rises towards low frequencies, as preamplifiers and grooves do."""
    count = int(length_s * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal((count, 2)), axis=0)
    f = np.fft.rfftfreq(count, 1.0 / RATE_HZ)
    noise = np.fft.irfft(spectrum * (1.0 / (1.0 + f / 400.0))[:, None], count, axis=0)
    return noise / noise.std() * 10.0 ** (level_dbfs / 20.0)


def mains(
    rng: np.random.Generator, length_s: float, hz: float, level_dbfs: float, harmonics: int = 9
) -> Floats:
    t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    wave = np.zeros(len(t))
    for number in range(1, harmonics + 1):
        size = (1.0 if number % 2 else 0.3) / number
        wave += size * np.sin(2.0 * np.pi * (number * hz * t + rng.random()))
    wave *= 10.0 ** (level_dbfs / 20.0) / wave.std()
    return np.stack((wave, wave), axis=1)


@pytest.mark.parametrize("nominal_hz", [50.0, 60.0])
def test_frequency_to_a_fiftieth_of_a_hertz_on_two_seconds(nominal_hz: float) -> None:
    for seed in range(6):
        rng = np.random.default_rng(seed)
        hz = nominal_hz + rng.uniform(-0.2, 0.2)
        found = find_hum(chain_noise(rng, 2.0) + mains(rng, 2.0, hz, -62.0), rate_hz=RATE_HZ)
        assert found.frequency_hz == pytest.approx(hz, abs=0.02)
        assert found.level_dbfs == pytest.approx(-62.0, abs=0.6)
        assert found.harmonics[0][0] == 1


def test_wandering_mains_over_half_a_minute() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(30 * RATE_HZ) / RATE_HZ
    phase = 50.02 * t + 0.03 * np.sin(2.0 * np.pi * t / 25.0)
    wave = 10.0 ** (-60.0 / 20.0) * np.sqrt(2.0) * np.sin(2.0 * np.pi * phase)
    found = find_hum(chain_noise(rng, 30.0) + wave[:, None], rate_hz=RATE_HZ)
    assert found.frequency_hz == pytest.approx(50.02, abs=0.02)
    assert found.level_dbfs == pytest.approx(-60.0, abs=0.6)
    assert found.share > 0.7


def test_noise_alone_has_no_hum() -> None:
    for seed in range(25):
        rng = np.random.default_rng(seed)
        assert find_hum(chain_noise(rng, 2.5), rate_hz=RATE_HZ).frequency_hz == 0.0


@pytest.mark.parametrize("note_hz", [49.0, 49.9, 50.1, 59.8, 61.7])
def test_bass_notes_are_no_hum(note_hz: float) -> None:
    """Plucked notes on and near mains frequency: they start and they fade."""
    rng = np.random.default_rng(int(note_hz * 10))
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    since = t % 0.75
    note = sum(np.sin(2.0 * np.pi * n * note_hz * t) / n for n in range(1, 7)) * np.exp(-4.0 * since)
    found = find_hum(chain_noise(rng, 6.0) + 0.05 * np.asarray(note)[:, None], rate_hz=RATE_HZ)
    assert found.frequency_hz == 0.0


def test_short_and_wrong_input() -> None:
    assert find_hum(np.zeros((1000, 2)), rate_hz=RATE_HZ).frequency_hz == 0.0
    assert find_hum(np.zeros((40_000, 2)), rate_hz=RATE_HZ).frequency_hz == 0.0
    with pytest.raises(ParameterError, match="must be \\(frames, channels\\)"):
        find_hum(np.zeros(8000), rate_hz=RATE_HZ)
    with pytest.raises(ParameterError, match="1000 or more"):
        find_hum(np.zeros((8000, 1)), rate_hz=500.0)


def test_decimator_blocks_equal_the_whole_and_the_plain_twin() -> None:
    rng = np.random.default_rng(1)
    audio = rng.standard_normal((5003, 2))
    whole = decimate(audio, 7)
    assert len(whole) == -(-5003 // 7)
    step = Decimator(7, 2)
    parts, at = [], 0
    while at < len(audio):
        size = int(rng.integers(0, 700))
        parts.append(step.process(audio[at : at + size]))
        at += size
    parts.append(step.flush())
    assert np.array_equal(np.concatenate(parts), whole)
    taps = low_pass(7)
    plain = np.stack([np.convolve(audio[:, c], taps, "same")[::7] for c in range(2)], axis=1)
    assert whole == pytest.approx(plain, abs=1e-12)


def test_decimator_passes_low_and_stops_high() -> None:
    t = np.arange(48_000) / 48_000
    low = decimate(np.sin(2.0 * np.pi * 100.0 * t)[:, None], 48)[100:-100, 0]
    assert low == pytest.approx(np.sin(2.0 * np.pi * 100.0 * np.arange(1000) / 1000)[100:-100], abs=2e-4)
    assert np.abs(decimate(np.sin(2.0 * np.pi * 700.0 * t)[:, None], 48)[100:-100]).max() < 3e-4
    assert low_factor(44_100, 2000.0) == 22
    with pytest.raises(ParameterError, match="1 or more"):
        low_pass(0)


@pytest.mark.parametrize("length", [255, 256, 5000])
def test_the_power_of_lines_is_that_of_the_plain_sum(length: int) -> None:
    piece = np.random.default_rng(4).standard_normal((length, 2))
    frequencies_hz = np.array([49.9, 100.3, 1234.5])
    window = np.hanning(length + 2)[1:-1]
    turning = np.exp(-2j * np.pi * np.outer(frequencies_hz, np.arange(length)) / RATE_HZ)
    amplitude = (turning * window) @ piece * 2.0 / window.sum()
    plain = 0.5 * np.mean(np.abs(amplitude) ** 2, axis=1)
    np.testing.assert_allclose(_line_power(_weighed(piece), frequencies_hz, RATE_HZ), plain, rtol=1e-9)
