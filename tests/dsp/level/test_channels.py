"""Where a file came from: bits, stillness, polarity, band limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sidekeep.dsp.level.channels import ChannelMeter, _fast_bits, _fast_repeats, bits_in_use, find_band_limit

RATE_HZ = 48000


def metered(audio: NDArray[np.float64], rate_hz: int = RATE_HZ) -> ChannelMeter:
    meter = ChannelMeter(rate_hz, audio.shape[1])
    meter.process(audio)
    meter.finish()
    return meter


@pytest.mark.parametrize("bits", [1, 8, 16, 20, 24, 32])
def test_bits_in_use(bits: int, rng: np.random.Generator) -> None:
    numbers = rng.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (5000, 2)) if bits > 1 else -np.ones((10, 2))
    assert bits_in_use(numbers / 2.0 ** (bits - 1)) == bits


def test_bits_and_repeats_are_plain_numpy(rng: np.random.Generator) -> None:
    steps = rng.integers(-3, 4, 500) * 2**12
    line = steps / 2.0**31
    assert _fast_bits(line) == np.bitwise_or.reduce(steps & 0xFFFFFFFF)
    assert _fast_bits(line + 1e-12) == -1
    assert _fast_repeats(line) == np.count_nonzero(np.diff(line) == 0.0) > 20


def test_bits_of_silence_and_of_floats(rng: np.random.Generator) -> None:
    assert bits_in_use(np.zeros((100, 2))) == 0
    assert bits_in_use(rng.normal(0.0, 0.1, (100, 2))) == 33
    audio = np.zeros((9000, 2))
    audio[8000, 1] = 1e-7
    assert bits_in_use(audio) == 33


def test_still_stretches(rng: np.random.Generator) -> None:
    audio = rng.normal(0.0, 0.1, (48000, 2))
    audio[10000:10300] = 0.0
    audio[20000:20100] = 0.0
    audio[30000:31000, 0] = 0.0
    audio[47000:] = 0.25
    assert metered(audio).still_spans == [(10000, 10300), (47000, 48000)]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_polarity_of_the_bass(sign: float, rng: np.random.Generator) -> None:
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    bass = 0.3 * np.sin(2 * np.pi * 110.0 * time_s)
    rumble = 0.3 * np.sin(2 * np.pi * 25.0 * time_s)
    audio = np.stack((bass + rumble, sign * bass - rumble), axis=1) + rng.normal(0.0, 0.02, (len(bass), 2))
    assert metered(audio).bass_correlation * sign > 0.9
    assert metered(audio[:, :1]).bass_correlation == 0.0


def groove_noise(length_s: float, rate_hz: int) -> NDArray[np.float64]:
    """Noise that fades gently towards the top, as from a groove."""
    from scipy.signal import lfilter

    white = np.random.default_rng(8).normal(0.0, 0.02, (int(length_s * rate_hz), 2))
    return np.asarray(lfilter([1.0], [1.0, -0.7], white, axis=0))


@pytest.mark.parametrize("cutoff_hz", [16000.0, 19000.0])
def test_a_wall_is_found(cutoff_hz: float) -> None:
    from scipy.signal import firwin, lfilter

    audio = lfilter(firwin(401, cutoff_hz, fs=RATE_HZ), [1.0], groove_noise(8.0, RATE_HZ), axis=0)
    edge = metered(np.asarray(audio) + np.random.default_rng(1).normal(0.0, 1e-5, audio.shape)).band_limit
    assert edge is not None
    assert edge.edge_hz == pytest.approx(cutoff_hz, abs=700.0)
    assert edge.fall_db > 30.0


def test_a_lower_rate_inside_a_higher_one_is_found() -> None:
    from sidekeep.dsp.output.resample import resample

    audio = resample(groove_noise(8.0, 44100), rate_hz=44100, new_rate_hz=96000)
    edge = metered(audio, 96000).band_limit
    assert edge is not None
    assert edge.edge_hz == pytest.approx(22000.0, abs=1200.0)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_a_gentle_fall_is_no_wall(rate_hz: int) -> None:
    from scipy.signal import butter, sosfilt

    assert metered(groove_noise(8.0, rate_hz), rate_hz).band_limit is None
    gentle = sosfilt(butter(2, 12000.0, fs=rate_hz, output="sos"), groove_noise(8.0, rate_hz), axis=0)
    assert metered(np.asarray(gentle), rate_hz).band_limit is None


@pytest.mark.parametrize(("noise", "is_found"), [(10 ** (-75 / 20), False), (10 ** (-96 / 20), True)])
def test_low_music_ends_in_the_noise_of_the_groove_and_an_old_file_in_nothing(
    noise: float, is_found: bool
) -> None:
    """Surface noise at -75 dBFS is that of a quiet pressing; -96 is the dither of 16 bits."""
    from scipy.signal import firwin, lfilter

    low = lfilter(firwin(401, 4000.0, fs=RATE_HZ), [1.0], groove_noise(8.0, RATE_HZ), axis=0)
    hiss = np.random.default_rng(2).normal(0.0, noise, low.shape)
    assert (metered(np.asarray(low) + hiss).band_limit is not None) == is_found


def test_nothing_to_judge() -> None:
    assert metered(np.zeros((100, 2))).band_limit is None
    assert metered(np.zeros((48000, 2))).band_limit is None
    assert find_band_limit(np.ones(10), rate_hz=48000) is None


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 1000),
    marks=st.lists(st.integers(0, 4000), min_size=0, max_size=8),
    lengths=st.lists(st.integers(1, 1700), min_size=8, max_size=8),
)
def test_still_stretches_equal_the_plain_twin(seed: int, marks: list[int], lengths: list[int]) -> None:
    """Coarse samples repeat by chance; stretches begin and end anywhere on the grid of 800 frames."""
    audio = np.random.default_rng(seed).integers(-2, 3, (4000, 2)) / 4.0
    for start, length in zip(marks, lengths):
        audio[start : start + length] = audio[start : start + 1]
    moves = np.flatnonzero((np.diff(audio, axis=0) != 0.0).any(axis=1)) + 1
    edges = [0, *moves.tolist(), 4000]
    plain = [(start, stop) for start, stop in zip(edges, edges[1:]) if stop - start >= 40]
    assert metered(audio, 8000).still_spans == plain


def plain_band_limit(power: NDArray[np.float64], rate_hz: int) -> tuple[float, float] | None:
    """Edge and fall, one bin after the other."""
    hz = np.arange(len(power)) * 0.5 * rate_hz / (len(power) - 1)
    level_db = 10.0 * np.log10(np.maximum(power, 1e-300))
    width = max(2, round(1000.0 / float(hz[1] - hz[0])))
    best: tuple[float, float] | None = None
    for at in range(int(np.searchsorted(hz, 3000.0)), len(power) - 3 * width // 2):
        if hz[at] > 0.44 * rate_hz:
            break
        below = np.median(level_db[at - 3 * width // 2 : at - width // 2])
        above = np.median(level_db[at + width // 2 : at + 3 * width // 2])
        further_below = np.median(level_db[at - 3 * width : at - 2 * width])
        fall_db = float(below - above)
        nothing_back = np.percentile(level_db[at + width // 2 :], 95) < below - 0.6 * fall_db
        if fall_db >= 15.0 and further_below - below < 0.4 * fall_db and nothing_back:
            if best is None or fall_db > best[1]:
                best = float(hz[at]), fall_db
    return best


@pytest.mark.parametrize(("rate_hz", "bins"), [(22_050, 513), (44_100, 1025), (96_000, 1024)])
def test_the_wall_is_that_of_the_plain_twin(rate_hz: int, bins: int, rng: np.random.Generator) -> None:
    hz = np.arange(bins) * 0.5 * rate_hz / (bins - 1)
    found = 0
    for _ in range(12):
        power = 10.0 ** (-hz / rng.uniform(3000.0, 40_000.0)) * rng.exponential(1.0, bins)
        power[hz > rng.uniform(2000.0, 0.5 * rate_hz)] *= 10.0 ** -rng.uniform(0.0, 5.0)
        limit = find_band_limit(power, rate_hz=rate_hz)
        assert (limit and (limit.edge_hz, limit.fall_db)) == plain_band_limit(power, rate_hz)
        found += limit is not None
    assert 0 < found < 12
