"""Two plays of one side are one music; two sides are not."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.flow.tracks.same_music import band_correlation, how_alike, is_same_length, music_correlation

POINTS = 2000


def loudness(seed: int, length_s: float) -> np.ndarray:
    """Decibels every twentieth of a second: phrases, beats and pauses between tracks."""
    rng = np.random.default_rng(seed)
    steps = round(length_s * 20)
    phrases = np.repeat(rng.normal(0.0, 4.0, steps // 40 + 1), 40)[:steps]
    beats = np.repeat(rng.normal(0.0, 3.0, steps // 8 + 1), 8)[:steps]
    level = -12.0 + phrases + beats
    for at in rng.integers(0, steps - 60, 4):
        level[at : at + 50] = -60.0
    return level


def envelope(level_db: np.ndarray, seed: int) -> np.ndarray:
    """As a survey keeps it, the floor of the groove and some ticks with it."""
    rng = np.random.default_rng(seed)
    peak = 10.0 ** (level_db / 20.0) + 10.0 ** (-55.0 / 20.0) * rng.uniform(0.7, 1.3, len(level_db))
    ticks = rng.random(len(peak)) < 0.002
    peak[ticks] = 0.5
    edges = np.linspace(0, len(peak), POINTS + 1).astype(int)[:-1]
    top = np.maximum.reduceat(peak, edges)
    return np.stack([-top, top], axis=1)


@pytest.mark.parametrize("length_s", [150.0, 1200.0])
@pytest.mark.parametrize(("speed", "late_s"), [(1.0, 0.0), (1.004, 9.0), (0.985, -6.0)])
def test_one_side_played_twice(length_s: float, speed: float, late_s: float) -> None:
    level = loudness(1, length_s)
    steps = round(length_s / speed * 20)
    again = np.interp(np.arange(steps) * speed, np.arange(len(level)), level) - 7.0
    lead = round(abs(late_s) * 20)
    again = np.concatenate([np.full(lead, -60.0), again]) if late_s > 0 else again[lead:]
    assert how_alike(envelope(level, 1), len(level) / 20, envelope(again, 2), len(again) / 20) == "same"
    assert is_same_length(length_s, length_s / speed)


@pytest.mark.parametrize("length_s", [60.0, 150.0, 1200.0])
def test_two_sides(length_s: float) -> None:
    sides = [envelope(loudness(seed, length_s), seed) for seed in range(8)]
    for one, other in zip(sides, sides[1:], strict=False):
        assert music_correlation(one, length_s, other, length_s)[0] < 0.7
    assert not is_same_length(length_s, 1.1 * length_s)


def test_what_is_too_short_or_silent_says_nothing() -> None:
    short = envelope(loudness(1, 50.0), 1)
    assert music_correlation(short, 50.0, short, 50.0) == (0.0, 0.0)
    assert how_alike(np.zeros((POINTS, 2)), 300.0, np.zeros((POINTS, 2)), 300.0) == "other"


@pytest.mark.parametrize("period_s", [4.0, 10.0, 20.0])
def test_two_steady_pieces_that_swell_alike_are_never_surely_one(period_s: float) -> None:
    """Bars of one pace, drones that swell: in loudness they are one, whatever their notes."""
    at_s = np.arange(300 * 20) / 20.0
    swell = -14.0 + 5.0 * np.sin(2.0 * np.pi * at_s / period_s)
    rng = np.random.default_rng(3)
    one, other = (envelope(swell + rng.normal(0.0, 0.5, len(swell)), seed) for seed in (1, 2))
    assert music_correlation(one, 300.0, other, 300.0)[0] > 0.75
    assert how_alike(one, 300.0, other, 300.0) == "perhaps"


def levels(seed: int, hops: int) -> np.ndarray:
    """Band levels that change with every phrase and beat, (hops, 2, 9); the pauses are at the same places whatever the seed."""
    rng = np.random.default_rng(seed)
    phrases = np.repeat(rng.normal(0.0, 3.0, (hops // 80 + 1, 1, 9)), 80, axis=0)[:hops]
    beats = np.repeat(rng.normal(0.0, 3.0, (hops // 11 + 1, 1, 9)), 11, axis=0)[:hops]
    level = -30.0 + phrases + beats + np.zeros((1, 2, 1))
    for share in (0.25, 0.55, 0.8):
        level[int(share * hops) : int(share * hops) + 90] = -60.0
    return level


@pytest.mark.parametrize("speed", [1.0, 1.002, 0.997])
def test_two_plays_of_one_take_by_their_bands(speed: float) -> None:
    hop_s, hops = 0.023, 20_000
    rng = np.random.default_rng(0)
    one = levels(1, hops)
    at = np.arange(int(hops / speed) - 40) * speed + 25.0
    again = one[at.astype(int)] + rng.normal(0.0, 1.0, (len(at), 2, 9))
    assert band_correlation(one, again, hop_s) > 0.9
    assert band_correlation(levels(2, hops), again, hop_s) < 0.6
    assert band_correlation(one[:2_000], one[:2_000], hop_s) == 0.0  # less than a minute tells nothing
