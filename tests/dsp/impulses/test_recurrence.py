"""Whether what was taken out of a span comes again near by."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from sidekeep.dsp.impulses.columns import SINGLES
from sidekeep.dsp.impulses.recurrence import (
    APART,
    FAR,
    MOST_GAIN,
    ROUND,
    explain_places,
    first_greatest,
    recurrence,
)

Floats = NDArray[np.float64]
FIRST, LAST = 6_000, 6_060


def voice(
    seed: int, *, apart: int = 700, uneven: int = 40, swell: float = 1.0, rate_factor: int = 1
) -> Floats:
    """Pulses through two resonances, each some frames early or late and ``swell`` times as high as the one before; one at ``FIRST``."""
    rng = np.random.default_rng(seed)
    pulses = np.zeros(12_000 * rate_factor)
    for number in range(-7, 8):
        at = FIRST + number * apart + (int(rng.integers(-uneven, uneven + 1)) if number else 0)
        pulses[at * rate_factor] = swell**number
    ring = np.array([0.08, -0.08, 0.3, -0.3]) / rate_factor
    poles = np.poly(0.97 ** (1.0 / rate_factor) * np.exp(1j * ring)).real
    return np.asarray(lfilter([1.0], poles, pulses + 1e-4 * rng.standard_normal(len(pulses))))


def without_its_pulse(sound: Floats) -> Floats:
    """As if the pulse had been taken for damage: the span bridged by what rang before."""
    out = sound.copy()
    out[FIRST:LAST] = np.linspace(sound[FIRST - 1], sound[LAST], LAST - FIRST)
    return out


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("swell", [1.0, 1.3])
def test_a_pulse_that_was_taken_out_is_missed(seed: int, swell: float) -> None:
    sound = voice(seed, swell=swell)
    word, unlike = recurrence(sound, without_its_pulse(sound), FIRST, LAST, 1)
    assert word < -0.5
    assert unlike < 0.3


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("shift", [0, 250])
def test_damage_is_not_whether_on_a_pulse_or_between_two(seed: int, shift: int) -> None:
    sound = np.roll(voice(seed), shift)
    hurt = sound.copy()
    hurt[FIRST:LAST] += np.abs(sound).max() * np.random.default_rng(9).standard_normal(LAST - FIRST)
    assert recurrence(hurt, sound, FIRST, LAST, 1)[0] > 0.8


def test_a_crowd_that_was_mended_whole_still_shows_itself() -> None:
    sound = voice(1, uneven=0)
    mended = sound.copy()
    for at in range(FIRST % 700, len(sound) - 700, 700):
        mended[at : at + LAST - FIRST] = np.linspace(sound[at - 1], sound[at + 60], LAST - FIRST)
    assert recurrence(sound, mended, FIRST, LAST, 1)[0] < -0.5


def test_where_nothing_comes_again_the_likest_place_is_unlike() -> None:
    hiss = np.random.default_rng(2).standard_normal(12_000)
    mended = hiss.copy()
    mended[FIRST:LAST] *= 0.1
    assert recurrence(hiss, mended, FIRST, LAST, 1)[1] > 0.8


@pytest.mark.parametrize("seed", range(4))
def test_beside_a_muted_stretch_there_is_still_an_answer(seed: int) -> None:
    """Exact silence near by, as of a lost moment or a few bits, is no place that is like any other."""
    sound = np.random.default_rng(seed).normal(0.0, 0.3, 12_000)
    sound[LAST + 500 : LAST + 3000] = 0.0
    mended = sound.copy()
    mended[FIRST:LAST] = 0.0
    word, unlike = recurrence(sound, mended, FIRST, LAST, 1)
    assert np.isfinite(word)
    assert 0.0 < unlike <= 1.0


def test_twice_the_rate_says_the_same() -> None:
    sound = voice(3, uneven=0, rate_factor=2)
    mended = sound.copy()
    mended[2 * FIRST : 2 * LAST] = np.linspace(sound[2 * FIRST - 1], sound[2 * LAST], 2 * (LAST - FIRST))
    assert recurrence(sound, mended, 2 * FIRST, 2 * LAST, 2)[0] < -0.5
    assert recurrence(sound, sound.copy(), 2 * FIRST, 2 * LAST, 2)[0] == pytest.approx(1.0)


@pytest.mark.parametrize(("first", "last"), [(ROUND, ROUND + 40), (12_000 - ROUND - 40, 12_000 - ROUND)])
def test_without_context_nothing_is_said(first: int, last: int) -> None:
    sound = voice(1)
    assert recurrence(sound, np.zeros(12_000), first, last, 1) == (1.0, 1.0)


def plain_recurrence(before: Floats, mended: Floats, first: int, last: int) -> tuple[float, float]:
    """Every lag by itself."""
    as_it_was, left = np.diff(before, prepend=0.0), np.diff(mended, prepend=0.0)
    places = np.r_[first - ROUND : first, last + 1 : last + 1 + ROUND]
    here, inside = left[places], np.arange(first, last + 1)
    found = (1.0, 1.0)
    for lag in range(-FAR, FAR + 1):
        at = places + lag
        if abs(lag) < last + 1 - first + APART or at[0] <= 0 or at[-1] >= len(before):
            continue
        there = as_it_was[at]
        gain = np.clip(here @ there / (there @ there), 0.0, MOST_GAIN)
        unlike = np.square(here - gain * there).sum() / (here @ here)
        if unlike < found[1]:
            kept, was = left[inside], as_it_was[inside]
            due = gain * as_it_was[inside + lag]
            found = (
                (np.square(was - due).sum() - np.square(kept - due).sum()) / np.square(was - kept).sum(),
                unlike,
            )
    return found


@pytest.mark.parametrize(("first", "last"), [(FIRST, LAST), (500, 530), (11_300, 11_390)])
def test_the_kernel_is_its_plain_twin(first: int, last: int) -> None:
    sound = voice(5)
    mended = sound.copy()
    mended[first:last] = np.random.default_rng(4).standard_normal(last - first)
    assert recurrence(sound, mended, first, last, 1) == pytest.approx(
        plain_recurrence(sound, mended, first, last), abs=1e-5
    )


@pytest.mark.parametrize("silent", [False, True])
def test_each_place_explains_what_a_gain_of_it_takes_away(silent: bool) -> None:
    rng, wide, gap, rows = np.random.default_rng(6), 20, 30, 7
    slope = rng.standard_normal(SINGLES * rows + gap + 24)
    if silent:
        slope[10:100] = 0.0
    ahead, behind = np.zeros((2, 24), np.float32)
    ahead[:wide], behind[:wide] = rng.standard_normal((2, wide))
    explained = np.full(SINGLES * rows, np.nan)
    explain_places(slope, ahead, behind, wide, gap, explained)
    here = np.r_[ahead[:wide], behind[:wide]].astype(np.float64)
    for k in range(SINGLES * rows):
        there = np.r_[slope[k : k + wide], slope[k + gap : k + gap + wide]]
        gain = np.clip(here @ there / max(there @ there, 1e-30), 0.0, MOST_GAIN)
        wanted = here @ here - np.square(here - gain * there).sum()
        assert explained[SINGLES * (k % rows) + k // rows] == pytest.approx(wanted, abs=1e-4)


def test_of_the_greatest_the_first_along_the_signal_is_found() -> None:
    rows = 9
    for places in ([77], [3, 100], [100, 12], [9 * SINGLES - 1], [0, 1]):
        along = np.random.default_rng(7).random(SINGLES * rows)
        along[places] = 2.0
        assert first_greatest(np.ascontiguousarray(along.reshape(SINGLES, rows).T).ravel()) == min(places)
    assert first_greatest(np.zeros(SINGLES * rows)) == -1
