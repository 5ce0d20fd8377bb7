"""The beat of the music: told from chance, and from what comes back once per turn."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.impulses.beat_forecast import BeatForecast, Stroke, find_beat


def strokes(times_s: np.ndarray, seed: int = 1) -> list[Stroke]:
    rng = np.random.default_rng(seed)
    return [(float(t), float(rng.uniform(5.0, 30.0)), float(rng.uniform(2.0, 8.0))) for t in np.sort(times_s)]


@pytest.mark.parametrize("period_s", [0.1071, 0.2143, 0.4286, 0.5])
def test_a_beat_is_found_among_damage(period_s: float) -> None:
    rng = np.random.default_rng(3)
    lines = np.arange(int(18.0 / period_s))
    struck = lines[rng.random(len(lines)) < 0.7]
    on = 5.0 + period_s * struck + 0.0005 * rng.standard_normal(len(struck))
    off = rng.uniform(5.0, 23.0, len(on) // 2)
    beat = find_beat(strokes(np.concatenate([on, off])))
    assert beat is not None
    later = 30.0 + np.arange(50) * 0.01
    whole = np.sort(5.0 + period_s * np.round((later - 5.0) / period_s))
    assert np.all(beat.bonus(whole) == beat.on_nats)
    assert beat.on_nats < -3.0
    assert beat.on_nats < beat.off_nats <= 0.0


def test_a_second_click_of_a_stroke_counts_as_on_the_beat() -> None:
    beat = find_beat(strokes(1.0 + 0.25 * np.arange(60)))
    assert beat is not None
    got = beat.bonus(np.array([20.0, 20.006, 20.009, 20.12]))
    assert got.tolist() == [beat.on_nats] * 3 + [beat.off_nats]


def test_chance_keeps_no_beat() -> None:
    rng = np.random.default_rng(5)
    for count in (12, 30, 80, 160, 400):
        for _ in range(30):
            assert find_beat(strokes(rng.uniform(0.0, 20.0, count))) is None


@pytest.mark.parametrize("turn_s", [1.8, 60.0 / 45.0, 60.0 / 78.26, 60.0 / 80.0])
def test_scratches_that_return_once_per_turn_are_no_beat(turn_s: float) -> None:
    rng = np.random.default_rng(6)
    for count in (1, 2, 3, 4):
        for _ in range(20):
            phases = rng.uniform(0.0, turn_s, count)
            times = (phases[:, np.newaxis] + turn_s * np.arange(int(20.0 / turn_s))).ravel()
            times = times + 0.0003 * rng.standard_normal(len(times))
            assert find_beat(strokes(np.concatenate([times, rng.uniform(0.0, 20.0, 10)]))) is None


def test_the_beat_is_forgotten_when_it_stops() -> None:
    prior = BeatForecast()
    prior.add(strokes(0.25 * np.arange(60)))
    assert prior.beat is not None
    rng = np.random.default_rng(7)
    prior.add(strokes(rng.uniform(40.0, 60.0, 40)))
    assert prior.beat is None
