"""Band levels: right for known signals, unmoved by clicks, the same for any block sizes, kernels like their plain twins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.dsp.tracks.features import (
    BAND_COUNT,
    HIGH_EDGES_HZ,
    LOW_COUNT,
    LOW_EDGES_HZ,
    FeatureMeter,
    FeatureTable,
)
from sidekeep.dsp.tracks.hop_kernels import decimate, hop_impulse, hop_outline, mid_side

RATE = 44100
MATRIX_TOLERANCE_DB = 1e-3
"""A matrix product may add in another order when the block is of another size."""


def measure(x: np.ndarray, rate_hz: int = RATE, sizes: tuple[int, ...] = (65536,)) -> FeatureTable:
    meter = FeatureMeter(rate_hz=rate_hz, channels=x.shape[1])
    at, k = 0, 0
    while at < len(x):
        meter.process(x[at : at + sizes[k % len(sizes)]])
        at, k = at + sizes[k % len(sizes)], k + 1
    return meter.finish()


@settings(max_examples=25, deadline=None)
@given(
    n=st.sampled_from([0, 1, 1023, 1024, 1025, 5000, 20011]),
    sizes=st.lists(st.integers(1, 9000), min_size=1, max_size=4).map(tuple),
    rate_hz=st.sampled_from([22050, 44100, 96000]),
    channels=st.sampled_from([1, 2]),
)
def test_any_block_sizes_give_the_whole_answer(
    n: int, sizes: tuple[int, ...], rate_hz: int, channels: int
) -> None:
    x = np.random.default_rng(n).standard_normal((n, channels)) * 0.1
    whole, parts = measure(x, rate_hz, (max(n, 1),)), measure(x, rate_hz, sizes)
    assert whole.length_frames == n
    np.testing.assert_allclose(parts.bands_db, whole.bands_db, atol=MATRIX_TOLERANCE_DB)
    np.testing.assert_allclose(parts.chroma, whole.chroma, atol=1e-5)
    np.testing.assert_array_equal(parts.impulse, whole.impulse)
    np.testing.assert_array_equal(parts.peak, whole.peak)
    np.testing.assert_array_equal(parts.power, whole.power)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
def test_levels_of_white_noise_follow_bandwidth(rate_hz: int) -> None:
    """White noise has power proportional to bandwidth; -3 dB for mid and side of unlike channels (computed)."""
    x = np.random.default_rng(2).standard_normal((rate_hz * 4, 2)) * 0.1
    table = measure(x, rate_hz)
    edges = np.array([*LOW_EDGES_HZ, *HIGH_EDGES_HZ[1:]])
    wanted = 10 * np.log10(0.01 / 2 * np.diff(edges) / (rate_hz / 2))
    found = 10 * np.log10(np.mean(10 ** (table.bands_db.astype(float) / 10), axis=0))
    # The median of eight half-overlapped spectra lies under the mean: up to 1.6 dB (ln 2 for one bin).
    assert np.all(np.abs(found[:, 2:LOW_COUNT] - wanted[2:LOW_COUNT]) < 1.0)
    assert np.all(np.abs(found[:, LOW_COUNT:] + 0.4 - wanted[LOW_COUNT:]) < 1.2)


def test_a_sine_reads_its_level_in_its_band_only() -> None:
    """A sine of amplitude a has mean square a^2/2: 0.1 reads -23.01 dB."""
    x = 0.1 * np.sin(2 * np.pi * 1650.0 * np.arange(RATE * 2) / RATE)[:, None] * np.ones((1, 2))
    bands = np.median(measure(x).bands_db, axis=0)
    band = LOW_COUNT + next(k for k, f in enumerate(HIGH_EDGES_HZ) if f > 1650.0) - 1
    assert bands[0, band] == pytest.approx(-23.01, abs=0.3)
    assert bands[0].argmax() == band
    assert bands[1].max() < -120.0
    assert bands.shape == (2, BAND_COUNT)


def test_clicks_do_not_move_the_high_bands() -> None:
    rng = np.random.default_rng(3)
    x = 1e-3 * rng.standard_normal((RATE * 5, 2))
    clicked = x.copy()
    for place in np.arange(500, len(x) - 2205, 2205) + rng.integers(0, 1000, len(x) // 2205 - 1):
        clicked[place : place + 5] += 0.5 * rng.standard_normal((5, 2))[: len(x) - place]
    clean, dirty = measure(x), measure(clicked)
    shift = np.abs(np.median(dirty.bands_db, axis=0) - np.median(clean.bands_db, axis=0))[:, LOW_COUNT:]
    assert shift.max() < 1.0
    assert np.abs(dirty.bands_db - clean.bands_db)[:, :, LOW_COUNT:].max() < 7.0
    assert dirty.impulse.max() > 50 > clean.impulse.max()


def test_mono_has_no_side() -> None:
    x = np.random.default_rng(4).standard_normal((RATE, 1))
    table = measure(x)
    assert table.bands_db[5:-5, 1].max() < -140.0
    np.testing.assert_allclose(
        table.bands_db[:, 0], measure(np.repeat(x, 2, axis=1)).bands_db[:, 0], atol=1e-3
    )


def test_kernels_match_plain_python(rng: np.random.Generator) -> None:
    x = rng.standard_normal((400, 2))
    h = rng.standard_normal(31)
    out = np.empty((90, 2))
    decimate(x, h, 4, out)
    plain = np.stack([np.correlate(x[:, c], h, "valid")[: 90 * 4 : 4] for c in range(2)], axis=1)
    np.testing.assert_allclose(out, plain, rtol=1e-9, atol=1e-12)
    mixed = np.empty((400, 2))
    mid_side(x, mixed)
    np.testing.assert_allclose(mixed, np.stack([x.mean(axis=1), (x[:, 0] - x[:, 1]) / 2], axis=1))
    low, high, power = np.empty((4, 2)), np.empty((4, 2)), np.empty((4, 2))
    hop_outline(x, 100, low, high, power)
    parts = x.reshape(4, 100, 2)
    np.testing.assert_array_equal(low, parts.min(axis=1))
    np.testing.assert_array_equal(high, parts.max(axis=1))
    np.testing.assert_allclose(power, (parts**2).mean(axis=1))
    found = np.empty(4)
    hop_impulse(x[:322], 80, 8, found)
    bend = np.abs(np.diff(x[:322], n=2, axis=0)).reshape(4, 80, 2)
    middle = np.median(bend.reshape(4, 8, 10, 2).mean(axis=2), axis=1)
    np.testing.assert_allclose(found, (bend.max(axis=1) / middle).max(axis=1))


@pytest.mark.parametrize(("factor", "taps"), [(1, 5), (2, 23), (3, 7), (4, 33), (5, 3)])
def test_decimating_matches_plain_python(factor: int, taps: int, rng: np.random.Generator) -> None:
    """More frames than are worked on at a time."""
    x = rng.standard_normal((factor * 2500 + taps, 2))
    h = rng.standard_normal(taps)
    plain = np.stack([np.correlate(x[:, c], h, "valid")[::factor] for c in range(2)], axis=1)
    out = np.empty_like(plain)
    decimate(x, h, factor, out)
    np.testing.assert_allclose(out, plain, rtol=1e-9, atol=1e-12)
