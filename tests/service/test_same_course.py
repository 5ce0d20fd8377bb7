"""The same music played twice is known by its course, whatever lies before and after it; other music is not."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.service.recording.side_fit import COURSE_STEP_S, same_course

GROOVE_DB, MUSIC_DB = -60.0, -32.0


def course(
    seed: int, *, before_s: float = 4.0, after_s: float = 6.0, playing: int = 0, speed: float = 1.0
) -> list[float]:
    """Two songs of 70 and 48 s with a gap between, their level another every third of a second."""
    random = np.random.default_rng(seed)
    songs = [MUSIC_DB + random.normal(0.0, 4.0, round(length * 3)) for length in (70.0, 48.0)]
    still = [np.full(round(length * 3), GROOVE_DB) for length in (before_s, 4.0, after_s)]
    row = np.concatenate([still[0], songs[0], still[1], songs[1], still[2]])
    times_s = np.arange(0.0, len(row) / 3.0 / speed, COURSE_STEP_S) * speed
    row = row[np.minimum((times_s * 3.0).astype(int), len(row) - 1)]
    return list(row + np.random.default_rng(playing).normal(0.0, 0.5, len(row)))


@pytest.mark.parametrize("speed", [1.001, 0.9995])
def test_two_playings_are_not_equally_fast(speed: float) -> None:
    assert same_course(course(1), course(1, speed=speed, before_s=4.02, playing=1))


@pytest.mark.parametrize("after_s", [0.0, 6.0, 60.0])
@pytest.mark.parametrize("before_s", [0.0, 4.0, 14.0])
def test_the_same_side_is_known_however_long_its_run_out(before_s: float, after_s: float) -> None:
    assert same_course(course(1), course(1, before_s=before_s, after_s=after_s, playing=1))


def test_a_run_out_that_crackles_as_loud_as_the_music_is_no_music() -> None:
    first, again = course(1, after_s=6.0), course(1, after_s=40.0, playing=1)
    turn = round(1.8 / COURSE_STEP_S)
    for row, music_stop in ((first, 126.0), (again, 126.0)):
        for at in range(round((music_stop + 1.0) / COURSE_STEP_S), len(row) - 6, turn):
            row[at : at + 6] = [MUSIC_DB + 4.0] * 6
    assert same_course(first, again)


def test_sides_of_the_same_track_lengths_are_not_the_same_music() -> None:
    assert not any(same_course(course(1, after_s=60.0), course(seed, after_s=60.0)) for seed in range(2, 12))


@pytest.mark.parametrize("period_s", [2.0, 8.0, 14.0])
def test_steady_music_is_never_surely_the_same(period_s: float) -> None:
    """Bars of one pace, drones that swell: their course fits wherever a bar begins."""
    at_s = np.arange(0.0, 180.0, COURSE_STEP_S)
    swell = MUSIC_DB + 4.0 * np.sin(2.0 * np.pi * at_s / period_s)
    one, other = (list(swell + np.random.default_rng(seed).normal(0.0, 0.5, len(swell))) for seed in (1, 2))
    assert not same_course(one, other)


def test_pieces_too_short_to_be_sure_are_not_judged() -> None:
    assert not same_course(course(1)[:400], course(1)[:400])
    assert not same_course([], [])


@pytest.mark.parametrize("levels", [1, 4, 5, 6, 39, 40, 41])
def test_a_side_that_was_ended_as_it_began_is_judged_without_a_fault(levels: int) -> None:
    """From one level to what lasts as long as a turn of the disc."""
    assert not same_course(course(1), course(1)[:levels])
    assert not same_course(course(1)[:levels], course(1)[:levels])
