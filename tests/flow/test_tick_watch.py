"""The locked groove is known by its tick, through crackle too; crackle, beats and steady noise are none."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.flow.needle.tick_watch import once_per_turn

STEP_S = 0.05
# Turns of 33 1/3, 45 and 78 on 50 Hz mains (IEC 60098).
PERIODS_S = (1.8, 4.0 / 3.0, 60.0 / 77.92)


def crackle(seconds: float, seed: int) -> np.ndarray:
    """Log peaks of crackle that swells and fades from patch to patch."""
    random = np.random.default_rng(seed)
    time_s = np.arange(round(seconds / STEP_S)) * STEP_S
    patches = 1.5 * np.sin(2.0 * np.pi * time_s / random.uniform(7.0, 12.0) + random.uniform(0.0, 6.0))
    return patches + random.standard_normal(len(time_s)) * 0.7 + (random.random(len(time_s)) < 0.05) * 2.5


def ticking(row: np.ndarray, period_s: float, size: float) -> np.ndarray:
    row = row.copy()
    places = np.round(np.arange(0.31, len(row) * STEP_S, period_s) / STEP_S).astype(int)
    row[places[places < len(row)]] += size
    return row


@pytest.mark.parametrize("period_s", PERIODS_S)
@pytest.mark.parametrize("speed", [0.996, 1.0, 1.004])
def test_a_tick_once_per_turn_is_heard_through_crackle(period_s: float, speed: float) -> None:
    heard = [once_per_turn(ticking(crackle(25.0, seed), period_s * speed, 3.0), STEP_S) for seed in range(10)]
    assert sum(heard) >= 9


def test_without_a_tick_nothing_is_heard() -> None:
    assert not any(once_per_turn(crackle(25.0, seed), STEP_S) for seed in range(100))
    assert not once_per_turn(np.zeros(500), STEP_S)
    assert not once_per_turn(np.zeros(10), STEP_S)


@pytest.mark.parametrize("period_s", [0.6, 0.9, 1.0, 1.5, 2.4])
def test_a_beat_is_no_turn(period_s: float) -> None:
    assert not any(once_per_turn(ticking(crackle(25.0, seed), period_s, 3.0), STEP_S) for seed in range(10))
