"""Notes as a second witness: pieces of one beat, bars that come again, players of other speed."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from sidekeep.dsp.alignment.onsets import OnsetFeatures
from sidekeep.dsp.alignment.pitch import PITCH_HZ, PitchProfile, transposed
from sidekeep.dsp.alignment.rough import Told, rough_line

RATE_HZ, BEAT_S, LEVEL = 8000, 0.5, 0.3


@cache
def steady(seed: int, bars: int = 24, *, again_every: int = 0) -> np.ndarray:
    """The same drums on every beat under notes of its own, four to a bar; or bars that come again after so many."""
    rng = np.random.default_rng(seed)
    notes = 110.0 * 2.0 ** (rng.integers(0, 25, (bars, 4)) / 12.0)
    if again_every:
        notes = np.tile(notes[:again_every], (bars // again_every, 1))
    at_s = np.arange(round(BEAT_S * RATE_HZ)) / RATE_HZ
    drum = np.random.default_rng(99).standard_normal(len(at_s)) * np.exp(-at_s / 0.03)
    tones = (sum(np.sin(2 * np.pi * note * h * at_s) / h for h in (1, 2, 3)) for note in notes.ravel())
    return np.concatenate([drum + 0.4 * tone * np.exp(-at_s / 0.25) for tone in tones])


def told(audio: np.ndarray, *, late_s: float = 0.0, hiss: float = 0.003, seed: int = 0) -> Told:
    """A playing: so much later, with noise of its own."""
    audio = np.concatenate([np.zeros(round(late_s * RATE_HZ)), LEVEL * audio])
    audio = audio + hiss * np.random.default_rng(seed).standard_normal(len(audio))
    onsets, notes = OnsetFeatures(RATE_HZ), PitchProfile(RATE_HZ)
    onsets.process(audio)
    notes.process(audio[:, np.newaxis])
    return Told(onsets=onsets.finish(), notes=notes.finish())


def played_slower(audio: np.ndarray, ratio: float) -> np.ndarray:
    at = np.arange(0.0, len(audio) - 1.0, 1.0 / ratio)
    return np.interp(at, np.arange(len(audio)), audio)


def test_other_music_on_the_same_drums_is_another_recording() -> None:
    line = rough_line(told(steady(1)), told(steady(2), seed=1))
    assert not line.is_same
    assert line.correlation > 0.3  # by its onsets alone it may well be


@pytest.mark.parametrize("late_s", [0.385, 1.234, 2.0])
@pytest.mark.parametrize(("ratio", "hiss"), [(1.0, 0.003), (1.004, 0.02), (0.997, 0.05)])
def test_steady_music_lies_where_its_notes_do(late_s: float, ratio: float, hiss: float) -> None:
    """Every beat fits the onsets; half a window away from the old ones another beat fits them better."""
    music = steady(3)
    line = rough_line(told(music), told(played_slower(music, ratio), late_s=late_s, hiss=hiss, seed=2))
    assert line.is_same
    assert line.offset_s == pytest.approx(late_s, abs=0.03)
    assert line.speed_ratio == pytest.approx(ratio, abs=5e-4)


def test_of_bars_that_come_again_most_of_both_takes_lies_together() -> None:
    music = steady(4, again_every=4)
    line = rough_line(told(music), told(played_slower(music, 1.003), late_s=0.7, seed=3))
    assert line.is_same
    assert line.offset_s == pytest.approx(0.7, abs=0.03)


def test_a_take_that_begins_in_the_middle_is_found_there() -> None:
    music = steady(5)
    line = rough_line(told(music), told(music[20 * RATE_HZ :], seed=4))
    assert line.is_same
    assert line.offset_s == pytest.approx(-20.0, abs=0.03)


@pytest.mark.parametrize("ratio", [1.004, 1.03, 0.95])
def test_another_speed_moves_notes_in_time_and_pitch(ratio: float) -> None:
    music = steady(6)
    slower, untouched = (told(audio, hiss=0.0).notes for audio in (played_slower(music, ratio), music))
    found = transposed(untouched, ratio)
    common = slice(PITCH_HZ, min(len(slower), len(found), len(untouched)) - PITCH_HZ)
    likeness, before = (
        np.corrcoef(slower[common].ravel(), each[common].ravel())[0, 1] for each in (found, untouched)
    )
    assert likeness > 0.9
    assert before < likeness - 0.02


def test_level_treble_and_polarity_of_a_channel_do_not_count() -> None:
    music = LEVEL * steady(7, 8)
    both = np.stack([music, 0.8 * music], axis=1)
    other = both * (0.3, -0.3)
    other[1:] -= 0.5 * other[:-1]  # 6 dB less bass, 3.5 dB more treble
    profiles = []
    for audio in (both, other):
        profile = PitchProfile(RATE_HZ)
        profile.process(audio)
        profiles.append(profile.finish())
    assert np.corrcoef(profiles[0].ravel(), profiles[1].ravel())[0, 1] > 0.98


@pytest.mark.parametrize("size", [1, 777, 4000, 100_000])
def test_notes_in_any_blocks_are_those_of_the_whole(size: int) -> None:
    audio = np.random.default_rng(8).standard_normal((9000, 2))
    whole, parts = PitchProfile(RATE_HZ), PitchProfile(RATE_HZ)
    whole.process(audio)
    for at in range(0, len(audio), size):
        parts.process(audio[at : at + size])
    np.testing.assert_array_equal(parts.finish(), whole.finish())
    assert len(whole.finish()) == (9000 - 2800) // 800 + 1


def test_too_little_sound_has_no_notes() -> None:
    profile = PitchProfile(RATE_HZ)
    profile.process(np.zeros((100, 1)))
    assert profile.finish().shape[0] == 0
