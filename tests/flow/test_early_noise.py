"""What was heard before the music is known as the chain, or as a lead-in, by what comes after it."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.flow.needle.early_noise import HEARD_EVERY, EarlyNoise
from sidekeep.flow.needle.needle_levels import WINDOW_S

CHAIN = np.array([-61.0, -78.0, -86.0])
LEAD_IN = np.array([-48.0, -60.0, -70.0])


class Played:
    """Rows of levels, fed as the watch feeds them."""

    def __init__(self, early: np.ndarray) -> None:
        self.noise, self._random = EarlyNoise(), np.random.default_rng(1)
        self.rows = np.zeros((0, 3))
        self.noise.note(early, 0)

    def play(self, level: np.ndarray, seconds: float, spread_db: float = 0.5) -> Played:
        for _ in range(round(seconds / WINDOW_S / HEARD_EVERY)):
            new = level + self._random.standard_normal((HEARD_EVERY, 3)) * spread_db
            self.rows = np.concatenate([self.rows, new])
            self.noise.hear(self.rows[-20:])
        return self

    def is_back(self, seconds: float = 15.0) -> bool:
        return self.noise.is_back(self.rows[-round(seconds / WINDOW_S) :], len(self.rows))


def test_noise_that_nothing_came_near_is_the_chain_when_it_is_back() -> None:
    played = Played(CHAIN).play(LEAD_IN + 25.0, 40.0, 4.0).play(LEAD_IN, 5.0).play(CHAIN, 16.0)
    assert played.is_back()


def test_it_must_have_been_long_ago() -> None:
    assert not Played(CHAIN).play(LEAD_IN + 25.0, 2.0).play(CHAIN, 16.0).is_back()


@pytest.mark.parametrize("over_db", [0.0, 2.5])
def test_a_gap_between_tracks_says_that_it_was_a_lead_in(over_db: float) -> None:
    played = Played(LEAD_IN).play(LEAD_IN + 25.0, 40.0, 4.0).play(LEAD_IN + over_db, 4.0)
    played.play(LEAD_IN + 25.0, 30.0, 4.0).play(LEAD_IN, 16.0)
    assert not played.is_back()


def test_other_noise_is_not_it() -> None:
    assert (
        not Played(CHAIN).play(LEAD_IN + 25.0, 40.0).play(CHAIN + np.array([0.0, 4.0, 0.0]), 16.0).is_back()
    )
