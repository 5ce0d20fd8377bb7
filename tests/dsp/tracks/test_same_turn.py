"""One groove heard twice against two moments of the same music: delays known exactly, powers that add."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import HIGH_COUNT, HIGH_EDGES_HZ
from sidekeep.dsp.tracks.same_turn import LEVELS, Likeness, likeness, noise_left

Singles = NDArray[np.float32]
RATE_HZ, PIECE, PIECES = 44_100.0, 1024, 12
MORE = 24


def noise(seed: int, frames: int, channels: int = 2, level: float = 0.01) -> NDArray[np.float64]:
    return level * np.random.default_rng(seed).standard_normal((frames, channels))


def later(sound: NDArray[np.float64], by: float) -> NDArray[np.float64]:
    """The same sound so many frames later, by its spectrum: exact for what repeats at the ends."""
    spectrum = np.fft.rfft(sound, axis=0)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(sound)) * by)
    return np.fft.irfft(spectrum * turn[:, np.newaxis], len(sound), axis=0)


def laid(now: NDArray[np.float64], past: NDArray[np.float64]) -> Likeness:
    """The middle of ``now`` laid on the middle of ``past``, which are of one length."""
    found = laid_if_alike(now, past, -np.inf)
    assert found is not None
    return found


def laid_if_alike(now: NDArray[np.float64], past: NDArray[np.float64], least: float) -> Likeness | None:
    first, size = 4_000, PIECE * PIECES
    return likeness(
        now[first : first + size].astype(np.float32),
        past[first - MORE : first + size + MORE].astype(np.float32),
        PIECE,
        RATE_HZ,
        least,
    )


def groove(level: float) -> NDArray[np.float64]:
    """(2, bands): power of white noise in a cell: the mean square of a piece spread over its bins, by Parseval's theorem."""
    return np.full((2, HIGH_COUNT), 2.0 * level**2 / PIECE)


@pytest.mark.parametrize("by", [-7.3, -0.4, 0.0, 0.25, 5.5, 20.0])
def test_the_delay_is_found_to_a_hundredth_of_a_frame(by: float) -> None:
    sound = noise(1, 24_000)
    found = laid(later(sound, by), sound)
    assert found.delay == pytest.approx(by, abs=0.01)
    assert found.sway < 0.01
    assert found.alike.min() > 0.99


def test_the_power_of_the_difference_of_independent_noises_is_their_sum() -> None:
    found = laid(noise(1, 24_000), noise(2, 24_000))
    left, count = noise_left(found, groove(0.01))
    assert found.rest == pytest.approx(2.0, abs=0.1), "their difference has twice the power of either"
    assert left == pytest.approx(1.0, abs=0.05)
    bins = round(HIGH_EDGES_HZ[-1] * PIECE / RATE_HZ) - round(HIGH_EDGES_HZ[0] * PIECE / RATE_HZ)
    assert count == pytest.approx(2 * PIECES * bins, rel=0.01)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3])
def test_of_one_groove_heard_twice_only_what_is_new_is_left(share: float) -> None:
    """``share`` of the power is new each time."""
    same, fresh = np.sqrt(1.0 - share) * noise(1, 24_000), np.sqrt(share)
    found = laid(later(same, 3.3) + fresh * noise(2, 24_000), same + fresh * noise(3, 24_000))
    assert noise_left(found, groove(0.01))[0] == pytest.approx(share, abs=0.02)
    assert found.alike.mean() == pytest.approx(1.0 - share, abs=0.02)
    assert found.rest < 0.01 if share == 0.0 else found.rest < 1.0


def test_the_same_music_over_two_grooves_leaves_the_noise_of_both() -> None:
    t_s = np.arange(24_000) / RATE_HZ
    tones = sum(0.1 * np.sin(2.0 * np.pi * hz * t_s) for hz in (800.0, 1700.0, 3300.0, 5200.0, 9100.0))
    music = np.stack([tones, 0.5 * tones], axis=1) * (1.0 + np.sin(2.0 * np.pi * 9.0 * t_s))[:, np.newaxis]
    found = laid(music + noise(1, 24_000, level=1e-3), music + noise(2, 24_000, level=1e-3))
    left, count = noise_left(found, groove(1e-3))
    assert left == pytest.approx(1.0, abs=0.1)
    assert count > 1000


def test_cells_too_loud_to_tell_are_not_counted() -> None:
    found = laid(noise(1, 24_000, level=0.1), noise(2, 24_000, level=0.1))
    assert noise_left(found, groove(1e-3)) == (1.0, 0)
    assert found.count.shape == found.unlike.shape == (2, HIGH_COUNT, LEVELS)


def test_what_is_alike_in_no_piece_is_not_looked_at_closer() -> None:
    sound = noise(1, 24_000)
    assert laid_if_alike(noise(2, 24_000), sound, 0.4) is None
    same = laid_if_alike(later(sound, 3.3), sound, 0.4)
    assert same is not None
    whole = laid(later(sound, 3.3), sound)
    np.testing.assert_array_equal(same.count, whole.count)
    assert (same.delay, same.rest) == (whole.delay, whole.rest)
    edge = noise(2, 24_000)
    edge[: 4_000 + 4 * PIECE] = sound[: 4_000 + 4 * PIECE]
    begun = laid_if_alike(edge, sound, 0.4)
    assert begun is not None, "some pieces alike are an edge"
    assert list(np.flatnonzero(begun.alike > 0.4)) == [0, 1, 2, 3]
