"""Dividing a side: kernels against all divisions written out, and the choices a person would make."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from sidekeep.dsp.tracks.division import backward_kernel, divide, forward_kernel, length_log_ratio

NO = -1e9
ABSENT = -3.0


def all_divisions(layers: np.ndarray, extra: np.ndarray) -> dict[tuple[tuple[int, int], ...], float]:
    """Every path written out: tuple of (node, lines used), with its log weight."""
    lines, count = layers.shape[0], layers.shape[1]
    found: dict[tuple[tuple[int, int], ...], float] = {}
    for size in range(count - 1):
        for inner in itertools.combinations(range(1, count - 1), size):
            nodes = (0, *inner, count - 1)
            for used in itertools.product(range(lines + 1), repeat=len(nodes) - 1):
                line, weight, path = 0, 0.0, [(0, 0)]
                for (a, b), after in zip(itertools.pairwise(nodes), used, strict=True):
                    if not line <= after <= line + 3:
                        weight = NO
                        break
                    if after == line:
                        weight += extra[a, b]
                    else:
                        weight += layers[after - 1, a, b] + (after - 1 - line) * ABSENT
                    line = after
                    path.append((b, line))
                if weight > NO / 2:
                    found[tuple(path)] = weight + (lines - line) * ABSENT
    return found


def test_kernels_match_all_divisions_written_out(rng: np.random.Generator) -> None:
    lines, count = 3, 6
    upper = np.triu(np.ones((count, count), dtype=bool), 1)
    layers = np.where(upper, rng.normal(0, 2, (lines, count, count)), NO)
    layers[1, 1, 3] = NO
    extra = np.where(upper, rng.normal(-2, 1, (count, count)), NO)
    paths = all_divisions(layers, extra)
    weights = np.array(list(paths.values()))
    whole = np.logaddexp.reduce(weights)
    total, best = np.full((lines + 1, count), NO), np.full((lines + 1, count), NO)
    came, after = np.zeros((lines + 1, count, 2), dtype=np.int64), np.full((lines + 1, count), NO)
    forward_kernel(layers, extra, ABSENT, total, best, came)
    backward_kernel(layers, extra, ABSENT, after)
    left = (lines - np.arange(lines + 1)) * ABSENT
    assert np.logaddexp.reduce(total[:, -1] + left) == pytest.approx(whole)
    assert np.max(best[:, -1] + left) == pytest.approx(weights.max())
    assert after[0, 0] == pytest.approx(whole)
    share = np.logaddexp.reduce(total + after, axis=0) - whole
    for node in range(count):
        through = [w for path, w in paths.items() if any(place == node for place, _ in path)]
        assert share[node] == pytest.approx(np.logaddexp.reduce(through) - whole)


def side(
    starts_s: list[float], odds: list[float], end_s: float, gap_s: float = 2.0
) -> tuple[list[float], ...]:
    stops = [0.0, *(start - gap_s for start in starts_s), end_s]
    return stops, [0.0, *starts_s, end_s], [0.0, *odds, 0.0]


@pytest.mark.filterwarnings("error")
def test_a_time_of_nothing_is_no_time() -> None:
    places = ([0.0, 58.0, 110.0], [0.0, 60.0, 110.0], [0.0, 4.0, 0.0])
    zero, none = (divide(*places, [time, 50.0]) for time in (0.0, None))
    assert (zero.nodes, zero.listed, zero.score) == (none.nodes, none.listed, none.score)


def test_clear_gaps_need_no_times() -> None:
    division = divide(*side([60.0, 130.0], [4.0, 4.0], 200.0), None)
    assert division.nodes == (0, 1, 2, 3)
    assert np.all(division.posterior[[1, 2]] > 0.9)


def test_short_pauses_are_passed_without_times_and_used_with_them() -> None:
    places = side([60.0, 100.0, 130.0], [4.0, -2.0, 4.0], 200.0)
    assert divide(*places, None).nodes == (0, 1, 3, 4)
    assert divide(*places, [58.0, 38.0, 28.0, 70.0]).nodes == (0, 1, 2, 3, 4)


def test_one_wrong_time_does_not_move_its_neighbours() -> None:
    places = side([60.0, 130.0, 210.0], [4.0, 4.0, 4.0], 300.0)
    division = divide(*places, [58.0, 78.0, 78.0, 90.0])
    assert division.nodes == (0, 1, 2, 3, 4)
    assert division.listed == (0, 1, 2, 3)


@pytest.mark.parametrize("speed", [0.98, 1.0, 1.02])
def test_the_speed_of_the_player_is_shared(speed: float) -> None:
    lengths = np.array([200.0, 240.0, 180.0, 220.0])
    starts = np.cumsum(lengths)[:-1]
    crowd = np.sort(np.concatenate([starts, np.arange(20.0, 840.0, 40.0)]))
    places = [0.0, *crowd, 840.0]
    odds = [0.0, *np.full(len(crowd), -4.0), 0.0]
    division = divide(places, places, odds, list(lengths * speed))
    assert division.speed == pytest.approx(speed, abs=0.011)
    assert [places[node] for node in division.nodes[1:-1]] == pytest.approx(list(starts), abs=3.0)


def test_a_track_that_is_not_there_and_one_that_is_not_printed() -> None:
    places = side([60.0, 130.0], [4.0, 4.0], 200.0)
    division = divide(*places, [58.0, 150.0, 68.0, 70.0])
    assert division.listed == (0, 2, 3)
    places = side([60.0, 130.0], [4.0, 4.0], 220.0)
    division = divide(*places, [58.0, 90.0])
    assert division.listed == (0, -1, 1)


def test_times_decide_between_places_that_look_alike() -> None:
    crowd = list(np.arange(10.0, 200.0, 7.0))
    places = [0.0, *crowd, 200.0]
    division = divide(places, places, [0.0, *np.full(len(crowd), -4.0), 0.0], [80.0, 120.0])
    assert abs(places[division.nodes[1]] - 80.0) <= 3.5


def test_very_short_tracks_are_unlikely() -> None:
    ratio = length_log_ratio(np.array([1.0, 5.0, 15.0, 30.0, 60.0, 90.0, 300.0, 1500.0]))
    assert np.all(np.diff(ratio[:6]) > 0)
    assert np.all(ratio[5:] == 0.0)
