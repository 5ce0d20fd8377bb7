"""Loudness: the kernel's plain twin, spans, gates, and refusals. The standards are in tests/conformance."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.level.loudness import (
    LoudnessMeter,
    channel_weights,
    integrated_loudness,
    k_weighting,
    loudness_range,
    lufs_to_power,
    measure_loudness,
    power_to_lufs,
    running_powers,
)
from sidekeep.errors import ParameterError
from sidekeep.units import MINIMUM_DB


@pytest.mark.parametrize("rate_hz", [22050, 44100, 96000])
def test_kernel_equals_plain_filter(rate_hz: int, rng: np.random.Generator) -> None:
    """The twin: scipy's second-order sections over the whole, then sums per 100 ms."""
    from scipy.signal import sosfilt

    window = rate_hz // 10
    audio = rng.normal(0.0, 0.1, (8 * window + 17, 2))
    meter = LoudnessMeter(rate_hz, 2)
    meter.process(audio)
    meter.finish()
    weighted = sosfilt(k_weighting(rate_hz), audio, axis=0)[: 8 * window]
    plain = (weighted**2).reshape(8, window, 2).mean(axis=1).sum(axis=1)
    np.testing.assert_allclose(meter.powers, plain, rtol=1e-11)


def test_momentary_maximum_is_polled_every_10_ms(rng: np.random.Generator) -> None:
    from scipy.signal import sosfilt

    rate_hz = 8000
    audio = rng.normal(0.0, 0.1, (2 * rate_hz, 1)) * np.linspace(0.0, 1.0, 2 * rate_hz)[:, None] ** 4
    audio[13000:] = 0.0
    square = sosfilt(k_weighting(rate_hz), audio, axis=0)[:, 0] ** 2
    totals = np.concatenate(([0.0], np.cumsum(square)))
    stops = np.arange(3200, len(totals), 80)
    plain = ((totals[stops] - totals[stops - 3200]) / 3200).max()
    loudness = measure_loudness(audio, rate_hz=rate_hz)
    assert loudness.max_momentary_lufs == pytest.approx(power_to_lufs(plain), abs=1e-9)


def test_pieces_are_one_programme_without_a_seam() -> None:
    quiet, loud = np.full(50, lufs_to_power(-30.0)), np.full(50, lufs_to_power(-20.0))
    together = integrated_loudness([quiet, loud])
    # 47 blocks of each; the gate lies 10 LU below their mean of -22.6 LUFS, so both count.
    mean = (lufs_to_power(-30.0) + lufs_to_power(-20.0)) / 2.0
    assert together == pytest.approx(power_to_lufs(mean), abs=1e-9)
    assert len(running_powers([quiet, loud], 4)) == 94
    assert len(running_powers([quiet[:3]], 4)) == 0


def test_relative_gate_drops_what_is_10_lu_below() -> None:
    """ITU-R BS.1770-5, Annex 1: blocks 10 LU below the mean of those above -70 LUFS do not count."""
    quiet, loud = np.full(50, lufs_to_power(-35.0)), np.full(50, lufs_to_power(-20.0))
    assert integrated_loudness([quiet, loud]) == pytest.approx(-20.0, abs=1e-9)


def test_absolute_gate_drops_what_is_below_70() -> None:
    """ITU-R BS.1770-5, Annex 1: the absolute threshold is -70 LUFS."""
    faint, audible = np.full(50, lufs_to_power(-72.0)), np.full(50, lufs_to_power(-68.0))
    assert integrated_loudness([faint, audible]) == pytest.approx(-68.0, abs=1e-9)
    assert integrated_loudness([faint]) == MINIMUM_DB


def test_range_hop_is_limited() -> None:
    powers = np.full(100, lufs_to_power(-20.0))
    assert loudness_range([powers], hop_windows=10) == 0.0
    with pytest.raises(ParameterError, match="hop_windows=11"):
        loudness_range([powers], hop_windows=11)


def test_silence_and_nothing() -> None:
    silent = measure_loudness(np.zeros((48000, 2)), rate_hz=48000)
    nothing = measure_loudness(np.zeros((0, 2)), rate_hz=48000)
    for loudness in (silent, nothing):
        assert loudness.integrated_lufs == MINIMUM_DB
        assert loudness.range_lu == 0.0


def test_long_silence_leaves_no_denormal_numbers() -> None:
    meter = LoudnessMeter(8000, 1)
    meter.process(np.ones((800, 1)))
    meter.process(np.zeros((10400, 1)))
    assert not meter._state.any()


def test_weights() -> None:
    """ITU-R BS.1770-5, Table 3: 1.0 in front, 1.41 for the surrounds; the low-frequency channel is left out."""
    np.testing.assert_array_equal(channel_weights(2), [1.0, 1.0])
    np.testing.assert_array_equal(channel_weights(6), [1.0, 1.0, 1.0, 0.0, 1.41, 1.41])
    with pytest.raises(ParameterError, match=r"weights of shape \(3,\)"):
        LoudnessMeter(48000, 2, weights=np.ones(3))


def test_refuses_what_it_cannot_weigh() -> None:
    with pytest.raises(ParameterError, match="rate_hz=4000"):
        k_weighting(4000)
    with pytest.raises(ParameterError, match=r"must be \(frames, 2\)"):
        LoudnessMeter(48000, 2).process(np.zeros((10, 1)))
    with pytest.raises(ParameterError, match=r"must be \(frames, 1\)"):
        LoudnessMeter(48000, 1).process(np.zeros(10))


@pytest.mark.parametrize("channels", [1, 2, 3, 5])
def test_channels_are_weighed_each_by_itself(channels: int, rng: np.random.Generator) -> None:
    """BS.1770-5 Annex 1: filtered one by one, then added up with their weights."""
    audio = rng.normal(0.0, 0.1, (4000, channels))
    together = LoudnessMeter(8000, channels, polls=False)
    together.process(audio)
    alone = []
    for channel in range(channels):
        meter = LoudnessMeter(8000, 1)
        meter.process(np.ascontiguousarray(audio[:, [channel]]))
        alone.append(meter.powers)
    np.testing.assert_allclose(together.powers, channel_weights(channels) @ np.array(alone), rtol=1e-12)
    assert together.max_momentary_lufs == MINIMUM_DB  # nobody polled
