"""A side that still plays: the sums against all divisions written out, and forecasts that are as sure as they say."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from sidekeep.dsp.tracks import open_division
from sidekeep.dsp.tracks.division import WRONG_BY_S, length_log_ratio, printed_log_ratio
from sidekeep.dsp.tracks.open_division import SPEEDS, divide_open


def plainly(
    stops_s: list[float],
    starts_s: list[float],
    log_odds: list[float],
    printed_s: list[float | None],
    heard_s: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Share of every (line, node) state and of every boundary, by looking at every division there is."""
    count, lines = len(stops_s), len(printed_s)
    state, boundary = np.zeros((lines + 1, count)), np.zeros(count)
    for speed in SPEEDS:
        prior = np.exp(-0.5 * ((speed - 1.0) / open_division.SPEED_SD) ** 2)
        for chosen in itertools.chain.from_iterable(
            itertools.combinations(range(1, count), taken) for taken in range(min(lines, count - 1) + 1)
        ):
            begun = (0, *chosen)
            log_weight = sum(
                -np.logaddexp(0.0, -log_odds[n] if n in chosen else log_odds[n]) for n in range(1, count)
            )
            for line, (first, second) in enumerate(itertools.pairwise(begun)):
                shortest = stops_s[second] - starts_s[first]
                longest = max(starts_s[second] - starts_s[first], shortest)
                time = printed_s[line]
                if shortest <= 1.0:
                    log_weight = -np.inf
                elif time is None:
                    log_weight += float(length_log_ratio(np.array(shortest)))
                else:
                    log_weight += float(
                        printed_log_ratio(np.array(shortest * speed), np.array(longest * speed), time)
                    )
            played_s = np.array(max(heard_s - starts_s[begun[-1]], 0.0))
            line = len(begun) - 1
            last = (
                open_division._log_over(played_s)
                if line == lines
                else open_division._log_longer(played_s * speed, printed_s[line])
            )
            weight = prior * np.exp(log_weight + float(last))
            state[line, begun[-1]] += weight
            boundary[list(chosen)] += weight
    return state / state.sum(), boundary / state.sum()


@pytest.mark.parametrize("printed_s", [[60.0, 80.0, 70.0], [60.0, None, 70.0], [None, None, None], [61.0]])
def test_the_sums_are_those_of_all_divisions(printed_s: list[float | None]) -> None:
    stops_s, starts_s = [0.0, 31.0, 59.0, 100.0, 138.5], [0.0, 31.0, 62.0, 100.4, 142.0]
    log_odds = [0.0, -3.0, 2.0, -2.0, 1.0]
    heard_s = 160.0
    found = divide_open(stops_s, starts_s, log_odds, printed_s, heard_s)
    state, boundary = plainly(stops_s, starts_s, log_odds, printed_s, heard_s)
    line, node = np.unravel_index(np.argmax(state), state.shape)
    assert (found.line, found.node) == (line, node)
    assert found.sure == pytest.approx(state[line, node], abs=2e-3)
    np.testing.assert_allclose(found.posterior[1:], boundary[1:], atol=2e-3)


def test_what_is_left_is_the_print_less_what_was_played() -> None:
    """Two tracks over exactly as printed, a minute of the third of five heard."""
    printed = [180.0, 200.0, 150.0, 240.0, 210.0]
    starts = [0.0, 182.0, 384.0]
    found = divide_open([0.0, 180.0, 382.0], starts, [0.0, 6.0, 6.0], printed, 444.0)
    assert (found.line, found.starts) == (2, (0, 1, 2))
    assert found.left_s == pytest.approx(90.0, abs=3.0)
    assert found.side_left_s == pytest.approx(90.0 + 240.0 + 210.0 + 2 * 2.0, abs=8.0)
    assert found.side_left_sd_s > found.left_sd_s > 1.0


def test_a_fast_turntable_shortens_the_rest() -> None:
    """Two long tracks over, each 1 % short of its print: what is left is short as well."""
    printed = [400.0, 400.0, 400.0]
    true, fast = (
        divide_open([0.0, 400.0 * share], [0.0, 400.0 * share + 2.0], [0.0, 8.0], printed, 500.0)
        for share in (1.0, 0.985)
    )
    assert true.side_left_s is not None
    assert fast.side_left_s is not None
    assert fast.side_left_s < true.side_left_s - 3.0


def test_twice_the_deviation_holds_nineteen_in_twenty() -> None:
    """Sides drawn from the model itself: printed times one in ten of which is wrong, at a speed nobody knows."""
    rng = np.random.default_rng(17)
    printed = [200.0, 150.0, 240.0]
    inside, count = 0, 600
    heard_s = 20.0
    forecast = divide_open([0.0], [0.0], [0.0], printed, heard_s)
    assert forecast.side_left_s is not None
    assert forecast.side_left_sd_s is not None
    speeds = rng.choice(SPEEDS, count, p=_speed_shares())
    for speed in speeds:
        true_s = -heard_s
        for time in printed:
            error = rng.normal(0.0, 1.0 + 0.008 * time)
            if rng.random() < 0.1:
                error = rng.laplace(0.0, WRONG_BY_S)
            true_s += (time + error) / speed
        true_s += rng.normal(1.5, 1.5) * 2
        inside += abs(true_s - forecast.side_left_s) <= 2.0 * forecast.side_left_sd_s
    assert 0.93 <= inside / count <= 0.98


def _speed_shares() -> np.ndarray:
    share = np.exp(-0.5 * ((np.array(SPEEDS) - 1.0) / open_division.SPEED_SD) ** 2)
    return share / share.sum()
