"""The same music played twice is known by its course, whatever lies before and after it; other music is not."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.service.side_fit import COURSE_STEP_S, same_course

GROOVE_DB, MUSIC_DB = -60.0, -32.0


def course(seed: int, *, before_s: float = 4.0, after_s: float = 6.0, playing: int = 0) -> list[float]:
    """Two songs of 26 and 18 s with a gap between: levels in dB of every half second."""
    random = np.random.default_rng(seed)
    songs = [MUSIC_DB + random.normal(0.0, 4.0, round(length / COURSE_STEP_S)) for length in (26.0, 18.0)]
    still = [np.full(round(length / COURSE_STEP_S), GROOVE_DB) for length in (before_s, 4.0, after_s)]
    row = np.concatenate([still[0], songs[0], still[1], songs[1], still[2]])
    return list(row + np.random.default_rng(playing).normal(0.0, 0.5, len(row)))


@pytest.mark.parametrize("after_s", [0.0, 6.0, 60.0])
@pytest.mark.parametrize("before_s", [0.0, 4.0, 14.0])
def test_the_same_side_is_known_however_long_its_run_out(before_s: float, after_s: float) -> None:
    assert same_course(course(1), course(1, before_s=before_s, after_s=after_s, playing=1))


def test_sides_of_the_same_track_lengths_are_not_the_same_music() -> None:
    assert not any(same_course(course(1, after_s=60.0), course(seed, after_s=60.0)) for seed in range(2, 40))


def test_pieces_too_short_to_be_sure_are_not_judged() -> None:
    assert not same_course(course(1)[:40], course(1)[:40])
    assert not same_course([], [])
