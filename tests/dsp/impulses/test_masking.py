"""What is heard beside what: published thresholds of hearing and of masking."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.masking import (
    EDGES_HZ,
    band_levels,
    heard_db,
    masked_threshold,
    quiet_threshold,
)

Floats = NDArray[np.float64]
RATE_HZ = 44_100


def tone(hz: float, level_db: float, frames: int = 512) -> Floats:
    return 10.0 ** ((level_db - 96.0) / 20.0) * np.sin(2.0 * np.pi * hz * np.arange(frames) / RATE_HZ)


def band_of(hz: float) -> int:
    return int(np.searchsorted(EDGES_HZ, hz, "right")) - 1


@pytest.mark.parametrize("hz", [450.0, 1_000.0, 4_000.0, 10_000.0])
def test_a_sine_has_its_level_in_its_critical_band(hz: float) -> None:
    """The bands of Zwicker (1961) as in Zwicker & Fastl, Psychoacoustics (from memory): 1 kHz is in the ninth, 4 kHz in the 17th."""
    levels = band_levels(tone(hz, 70.0), RATE_HZ)
    assert int(np.argmax(levels)) == band_of(hz)
    assert 10.0 * np.log10((10.0 ** (0.1 * levels)).sum()) == pytest.approx(70.0, abs=0.3)
    assert (band_of(1_000.0), band_of(4_000.0)) == (8, 17)


@pytest.mark.parametrize(
    ("hz", "iso_226_db"), [(250.0, 11.4), (500.0, 4.4), (1_000.0, 2.4), (2_000.0, -1.3), (4_000.0, -5.4)]
)
def test_the_threshold_in_quiet_is_near_that_of_the_standard(hz: float, iso_226_db: float) -> None:
    """Threshold of hearing by ISO 226:2003 (from memory); the formula is a smooth curve through older data."""
    assert quiet_threshold()[band_of(hz)] == pytest.approx(iso_226_db, abs=4.0)


def test_a_tone_masks_by_the_slopes_of_the_standard() -> None:
    """ISO/IEC 11172-3, annex D (from memory): 6.025 dB and 0.275 a bark under the tone, 17 dB less one bark above it, 0.4 times
    its level and 6 dB less one bark below; the louder it is, the gentler the slope further up."""
    for level_db in (60.0, 80.0):
        alone = np.full(24, -60.0)
        alone[8] = level_db
        heard = masked_threshold(alone)
        own_db = level_db - 6.025 - 0.275 * 8.5
        assert heard[8] == pytest.approx(own_db, abs=0.1)
        assert heard[9] == pytest.approx(own_db - 17.0, abs=0.2)
        assert heard[11] == pytest.approx(own_db - 17.0 - 2.0 * (17.0 - 0.15 * level_db), abs=1.5)
        assert heard[7] == pytest.approx(max(own_db - 0.4 * level_db - 6.0, quiet_threshold()[7]), abs=1.0)
    assert masked_threshold(np.full(24, -60.0)) == pytest.approx(quiet_threshold(), abs=0.1)


def test_a_tick_beside_a_loud_bass_is_heard_and_the_same_in_noise_is_not() -> None:
    bass, hiss = tone(60.0, 90.0, 4_000), 0.1 * np.random.default_rng(1).standard_normal(4_000)
    tick = np.zeros(4_000)
    tick[2_000:2_008] = 0.003 * np.resize([1.0, 1.0, 1.0, -1.0, -1.0, -1.0], 8)
    assert heard_db(bass + tick, bass, 2_000, 2_008, RATE_HZ) > 20.0
    assert heard_db(hiss + tick, hiss, 2_000, 2_008, RATE_HZ) < 0.0
    assert heard_db(hiss, hiss, 2_000, 2_008, RATE_HZ) < -20.0
    assert heard_db(hiss + tick, hiss, 10, 18, RATE_HZ) == np.inf
