"""A moment is found where it was heard before, however long ago, and other sound is not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.tracks.earlier_sound import BAND_HZ, EarlierSound

Singles = NDArray[np.float32]
RATE_HZ, MOMENT = 11_025.0, 3_072
REACH = 18 * 11_025
ALL = [(2 * MOMENT, REACH)]


def noise(seed: int, frames: int) -> NDArray[np.float64]:
    return np.random.default_rng(seed).standard_normal(frames)


def found(
    sound: NDArray[np.float64],
    number: int,
    ranges: list[tuple[int, int]],
    most: int = 3,
    rate_hz: float = RATE_HZ,
) -> list[int]:
    """Where the moment of this number was heard before, all that went before it remembered."""
    single = sound.astype(np.float32)
    earlier = EarlierSound(MOMENT, rate_hz, REACH)
    for each in range(number - 1):
        earlier.add(each, single[each * MOMENT : (each + 2) * MOMENT])
    return earlier.find(number, single[number * MOMENT : (number + 1) * MOMENT], ranges, most)


@pytest.mark.parametrize("delay", [2 * MOMENT + 5, 20_000, 104_321, REACH - 7])
def test_a_sound_is_found_where_it_was(delay: int) -> None:
    """To half the width of a peak, which is one over the band."""
    number = 70
    sound = noise(1, (number + 1) * MOMENT)
    first = number * MOMENT
    sound[first:] = sound[first - delay : first - delay + MOMENT] + 0.3 * noise(2, MOMENT)
    (where, *_) = found(sound, number, ALL)
    assert where == pytest.approx(delay, abs=RATE_HZ / (BAND_HZ[1] - BAND_HZ[0]))


def test_other_sound_is_not_found() -> None:
    for seed in range(20):
        assert found(noise(seed, 71 * MOMENT), 70, ALL) == []


@pytest.mark.parametrize("rate_hz", [8_000.0, 5_512.5, 4_000.0, 2_000.0, 1_500.0])
def test_where_the_sound_ends_within_the_band_what_is_left_of_it_tells(rate_hz: float) -> None:
    """Half of these rates is 4 kHz to 750 Hz; the band ends at 2.8 kHz. With next to nothing left nothing is told falsely."""
    number, delay = 70, 20_000
    sound = noise(1, (number + 1) * MOMENT)
    assert found(sound, number, ALL, rate_hz=rate_hz) == []
    first = number * MOMENT
    sound[first:] = sound[first - delay : first - delay + MOMENT]
    where = found(sound, number, ALL, rate_hz=rate_hz)
    if rate_hz > 1_500.0:
        assert where[0] == pytest.approx(delay, abs=rate_hz / (min(BAND_HZ[1], rate_hz / 2.0) - BAND_HZ[0]))


def test_of_a_sound_that_was_heard_twice_both_places_are_told() -> None:
    sound = noise(1, 71 * MOMENT)
    now = sound[70 * MOMENT :].copy()
    for delay in (30_000, 90_000):
        sound[70 * MOMENT - delay : 71 * MOMENT - delay] = now
    assert sorted(found(sound, 70, ALL)) == pytest.approx([30_000, 90_000], abs=6)
    assert len(found(sound, 70, ALL, most=1)) == 1


def test_only_what_is_asked_for_is_looked_at() -> None:
    sound = noise(1, 71 * MOMENT)
    sound[70 * MOMENT :] = sound[70 * MOMENT - 30_000 : 71 * MOMENT - 30_000]
    assert found(sound, 70, [(29_000, 31_000)]) == pytest.approx([30_000], abs=6)
    assert found(sound, 70, [(10_000, 29_000), (31_000, REACH)]) == []
