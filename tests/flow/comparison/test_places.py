"""A place on one take is found on another of the same side to a few milliseconds, or not at all."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.flow.comparison.laying.places import lay_takes
from tests.flow.comparison.pairs import RATE, Held, Take, play, true_times
from tests.flow.made_sides import tune

PLACES_S = np.array([0.5, 3.2, 9.9, 11.0, 17.3, 22.0, 31.8, 38.4, 43.0])
WITHIN_S = 0.005
"""A quarter of the shortest time in which a change is heard as two events (some 20 ms: common practice, no source)."""
SLOW_HZ = 8_000


@pytest.fixture(scope="module")
def old() -> Take:
    return play(1)


def errors_s(old: Take, new: Take, lead: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of the places, on a new take with ``lead`` (frames, channels) before it."""
    laid = lay_takes(Held(old.audio), Held(np.concatenate([lead, new.audio])))
    assert laid is not None
    found = [laid.place(float(at_s)) for at_s in PLACES_S]
    assert None not in found
    return np.array(found, float) - true_times(old, new, PLACES_S) - len(lead) / RATE


def test_a_take_that_begins_later(old: Take) -> None:
    lead = np.random.default_rng(6).normal(0.0, 10 ** (-66 / 20), (7 * RATE // 2, 2))
    assert np.abs(errors_s(old, play(2, gain=0.4), lead)).max() < WITHIN_S


@pytest.mark.parametrize("speed", [0.997, 1.003, 1.02])
def test_another_speed(old: Take, speed: float) -> None:
    nothing = np.zeros((0, 2))
    assert np.abs(errors_s(old, play(3, speed=speed, ticks=(17.4,)), nothing)).max() < WITHIN_S


def test_a_long_side_at_another_speed_is_known_to_its_end() -> None:
    """Four minutes, 0.3 % slower: 0.7 s are gained, so one offset for the whole side would fit nowhere."""
    rng = np.random.default_rng(8)
    whole = np.concatenate([tune(seed, 20.0, SLOW_HZ) for seed in range(1, 13)])
    at = np.arange(0.0, len(whole) - 2.0, 1.0 / 1.003)
    slower = np.stack([np.interp(at, np.arange(len(whole)), whole[:, c]) for c in (0, 1)], axis=1)
    first, second = (side + rng.normal(0.0, 5e-4, side.shape) for side in (whole, slower))
    laid = lay_takes(Held(first, SLOW_HZ), Held(second, SLOW_HZ))
    assert laid is not None
    for at_s in (5.0, 60.0, 180.3, 235.5):
        assert laid.place(at_s) == pytest.approx(at_s * 1.003, abs=WITHIN_S)


def test_other_music_is_refused(old: Take) -> None:
    other = np.concatenate([tune(seed, 11.0, RATE) for seed in (21, 22, 23, 24)])
    assert lay_takes(Held(old.audio), Held(other)) is None


def test_a_place_that_is_not_there_is_refused(old: Take) -> None:
    """The new take was begun late, or one place is another music: only that place is lost."""
    new = play(4).audio.copy()
    new[15 * RATE : 23 * RATE] = tune(31, 8.0, RATE)
    laid = lay_takes(Held(old.audio), Held(new[6 * RATE :]))
    assert laid is not None
    assert laid.place(1.0) is None
    assert laid.place(19.0) is None
    assert laid.place(30.0) == pytest.approx(24.0, abs=0.1)


def test_silence_and_a_few_seconds_say_nothing(old: Take) -> None:
    silence = np.zeros((20 * RATE, 2))
    assert lay_takes(Held(silence), Held(silence)) is None
    assert lay_takes(Held(old.audio[: 3 * RATE]), Held(old.audio)) is None
