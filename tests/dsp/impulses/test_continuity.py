"""Whether a sound goes on behind a span, or another was joined to it there."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import toeplitz
from scipy.signal import lfilter

from sidekeep.dsp.impulses.continuity import ORDER, WIDE, least_error, misfit, predict
from sidekeep.dsp.impulses.evidence.seam import fit_exactly

Floats = NDArray[np.float64]
RATE_HZ = 44_100
FIRST, LAST = 2_000, 2_090


def apart(sound: Floats, first: int = FIRST, last: int = LAST, rate_factor: int = 1) -> float:
    """By the milder predictor."""
    return misfit(sound, first, last, rate_factor, 0.0)


def tone(hz: float, height: float, frames: int = 4_000) -> Floats:
    return height * np.sin(2.0 * np.pi * hz * np.arange(frames) / RATE_HZ + hz)


def groove(seed: int, frames: int = 4_000) -> Floats:
    return 1e-3 * np.random.default_rng(seed).standard_normal(frames)


def resonant(seed: int, frames: int = 4_000) -> Floats:
    """Noise through two resonances: all that a predictor can know of it is its spectrum."""
    poles = np.poly(0.98 * np.exp(1j * np.array([0.1, -0.1, 0.35, -0.35]))).real
    return np.asarray(lfilter([1.0], poles, 1e-3 * np.random.default_rng(seed).standard_normal(frames)))


def joined(before: Floats, behind: Floats) -> Floats:
    """The second sound from the middle of the span on."""
    middle = (FIRST + LAST) // 2
    return np.concatenate([before[:middle], behind[middle:]])


@pytest.mark.parametrize("seed", range(4))
def test_over_damage_both_ends_agree_whatever_lies_in_the_span(seed: int) -> None:
    for sound in (tone(440.0, 0.2) + tone(1_310.0, 0.1) + groove(seed), resonant(seed)):
        hurt = sound.copy()
        hurt[FIRST:LAST] += 0.3 * np.random.default_rng(9).standard_normal(LAST - FIRST)
        assert 0.2 < apart(hurt) < 3.0
        assert apart(hurt) == pytest.approx(apart(sound), rel=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_at_a_cut_between_two_sounds_they_do_not(seed: int) -> None:
    cut = joined(tone(440.0, 0.2), tone(710.0, 0.3)) + groove(seed)
    assert apart(cut) > 100.0
    # the same tone, out of step behind the cut
    skipped = joined(tone(440.0, 0.2), tone(440.0, 0.2, 4_037)[37:]) + groove(seed)
    assert apart(skipped) > 100.0


def test_an_attack_is_no_cut() -> None:
    sound = tone(440.0, 0.2) + groove(1)
    behind = np.arange(4_000) >= (FIRST + LAST) // 2
    struck = sound + behind * np.exp(-(np.arange(4_000) - 2_045) / 4_000.0) * resonant(2) * 10.0
    assert apart(struck) < 3.0


def test_twice_the_rate_is_asked_as_wide() -> None:
    frames = np.arange(8_000) / (2 * RATE_HZ)
    noise = 1e-3 * np.random.default_rng(3).standard_normal(8_000)
    sound = 0.2 * np.sin(2.0 * np.pi * 440.0 * frames) + noise
    cut = np.where(np.arange(8_000) < 4_090, sound, 0.3 * np.sin(2.0 * np.pi * 710.0 * frames) + noise)
    assert apart(sound, 4_000, 4_180, 2) < 3.0
    assert apart(cut, 4_000, 4_180, 2) > 100.0


@pytest.mark.parametrize(("first", "last"), [(WIDE - 1, WIDE + 60), (4_000 - WIDE - 60, 4_001 - WIDE)])
def test_without_context_nothing_is_said(first: int, last: int) -> None:
    assert apart(groove(1), first, last, 1) == 0.0


def plain_least_error(signal: Floats, model: Floats) -> float:
    """Dense least squares over the frames in the middle."""
    order = len(model) - 1
    count = len(signal) - 2 * order
    errors = np.convolve(signal, model, "valid")
    reach = toeplitz(np.concatenate([model, np.zeros(count - 1)]), np.zeros(count))
    change = np.linalg.lstsq(reach, -errors, rcond=None)[0]
    return float(np.square(errors + reach @ change).sum())


def test_errors_are_the_valid_part_of_the_convolution() -> None:
    signal, model = groove(1, 60), np.array([1.0, -0.9, 0.3, 0.1])
    errors = np.empty(57)
    predict(signal, 3, model, errors)
    np.testing.assert_allclose(errors, np.convolve(signal, model, "valid"), atol=1e-15)


@pytest.mark.parametrize("seed", range(3))
def test_the_least_error_and_the_misfit_are_those_of_dense_least_squares(seed: int) -> None:
    sound = joined(tone(440.0, 0.2), tone(710.0, 0.3)) + resonant(seed)
    by_side = []
    piece = sound[FIRST - ORDER : LAST + ORDER]
    for side, around in (
        (sound[FIRST - WIDE : FIRST], piece),
        (sound[LAST : LAST + WIDE][::-1], piece[::-1]),
    ):
        model = np.empty(ORDER + 1)
        usual = fit_exactly(np.ascontiguousarray(side), ORDER, model)
        wanted = plain_least_error(around, model)
        least = least_error(np.ascontiguousarray(around), ORDER, model)
        # a little white noise keeps pure tones solvable: what is found is never under the least
        assert (1.0 - 1e-6) * wanted <= least <= 1.02 * wanted
        by_side.append(wanted / (ORDER * usual))
    assert apart(sound) == pytest.approx(min(by_side), rel=0.02)
    ahead = misfit(sound, FIRST, LAST, 1, 1e9)
    assert ahead == pytest.approx(by_side[0], rel=0.02)
    assert misfit(sound, FIRST, LAST, 1, ahead) == ahead
    assert misfit(sound, FIRST, LAST, 1, 0.99 * ahead) == min(ahead, apart(sound))
