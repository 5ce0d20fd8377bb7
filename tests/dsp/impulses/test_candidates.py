"""Errors, scale and candidates against plain twins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.candidates import (
    CELL,
    GUARD,
    QUIET,
    backward_error,
    calm_share,
    find_errors,
    find_scale,
    find_tests,
    fit_predictors,
)
from sidekeep.dsp.impulses.channel import NOTHING_DUE, Channel, find_shifts, keep_fresh, mark_hops
from sidekeep.dsp.impulses.evidence.weights import fitted_weights
from sidekeep.dsp.impulses.mending import Manner, mend_channels
from sidekeep.dsp.impulses.priors import DOUBT_UP, DUE_LIMIT, PRIOR_UP, SHARE_ROUNDS, share_shift, spread_due
from sidekeep.dsp.impulses.repaired import FATE, LENGTH, MENDED, PEAK, SIZE_DB, START, UNDONE, WALL
from sidekeep.dsp.impulses.running_median import CELLS
from tests.dsp.impulses.rows import each_values

Floats = NDArray[np.float64]
HOP, ORDER = 1024, 32


def noise(seed: int, length: int = 16_384) -> Floats:
    """White, 1 % of full scale."""
    return 0.01 * np.random.default_rng(seed).standard_normal(length)


def test_errors_equal_plain_convolution() -> None:
    x = np.convolve(noise(1), [1.0, 0.8, 0.3], "same")
    hops = len(x) // HOP
    stale = np.ones(hops, dtype=bool)
    models = np.empty((hops, ORDER + 1))
    fit_predictors(x, HOP, ORDER, stale, models)
    errors = np.zeros((2, len(x)))
    find_errors(x, HOP, models, stale, *errors)
    for b in (3, 9):
        model = models[b]
        inside = slice(b * HOP, (b + 1) * HOP)
        forward = np.convolve(x, model)[: len(x)]
        backward = np.convolve(x, model[::-1])[ORDER:]
        both = np.convolve(x, np.convolve(model, model[::-1]), "same") / np.sqrt(np.sum(model**2))
        np.testing.assert_allclose(errors[0, inside], forward[inside], atol=1e-12)
        np.testing.assert_allclose(errors[1, inside], both[inside], atol=1e-12)
        at = b * HOP + 77
        assert backward_error(x, model, at) == pytest.approx(backward[at], abs=1e-12)


@pytest.mark.parametrize("rate_factor", [1, 2])
def test_the_test_is_the_likelihood_ratio_of_three_unknown_frames(rate_factor: int) -> None:
    x = np.convolve(noise(11, 4 * HOP), [1.0, 0.8, 0.3], "same")
    stale, models = np.ones(4, dtype=bool), np.empty((4, ORDER + 1))
    fit_predictors(x, HOP, ORDER, stale, models)
    errors, tests = np.zeros((2, len(x))), np.zeros(len(x))
    find_errors(x, HOP, models, stale, *errors)
    find_tests(errors[1], models, HOP, stale, rate_factor, tests)
    for at in (HOP, 2 * HOP + 500, 3 * HOP - 1):
        model = models[at // HOP]
        taps = np.correlate(model, model, "full")[ORDER:] / np.sum(model**2)
        corner = taps[rate_factor * np.abs(np.subtract.outer(np.arange(3), np.arange(3)))]
        g = errors[1, [at - rate_factor, at, at + rate_factor]]
        assert tests[at] == pytest.approx(g @ np.linalg.solve(corner, g), rel=1e-9)


def test_scale_is_the_larger_of_two_medians_of_cells() -> None:
    error = noise(2, 4096)
    error[2000:2500] *= 9.0
    means, scale = np.empty((2, len(error) // CELL))
    every = np.ones(4, dtype=bool)
    find_scale(error, 1024, every, means, scale)
    mean = np.abs(error).reshape(-1, CELL).mean(axis=1) / 0.7979
    for c in range(60, 200):
        behind = np.sort(mean[max(0, c - GUARD - CELLS + 1) : c - GUARD + 1])
        ahead = np.sort(mean[c + GUARD : c + GUARD + CELLS])
        wanted = max(QUIET, behind[len(behind) // 2], ahead[len(ahead) // 2])
        np.testing.assert_allclose(scale[c], wanted)
    # a lone click does not move it
    error[1000] += 5.0
    again = np.empty_like(scale)
    find_scale(error, 1024, every, means, again)
    assert abs(again[1000 // CELL] / scale[1000 // CELL] - 1.0) < 0.2


@pytest.mark.parametrize("changed", [[0], [3], [7], [2, 3], [1, 6], []])
def test_the_scale_is_looked_at_again_wherever_it_sees_a_changed_hop(changed: list[int]) -> None:
    before = noise(12, 8 * HOP - 100)
    hops = np.zeros(8, dtype=bool)
    hops[changed] = True
    after = before * np.where(np.repeat(hops, HOP)[: len(before)], 3.0, 1.0)
    means, wanted, again, got = np.empty((4, -(-len(before) // CELL)))
    find_scale(after, HOP, np.ones(8, dtype=bool), means, wanted)
    find_scale(before, HOP, np.ones(8, dtype=bool), again, got)
    assert changed == [] or not np.array_equal(got, wanted)
    find_scale(after, HOP, hops, again, got)
    assert np.array_equal(got, wanted)
    assert np.array_equal(again, means)
    pieces = np.array_split(np.abs(after), np.arange(CELL, len(after), CELL))
    np.testing.assert_allclose(means, [piece.mean() / 0.7979 for piece in pieces], rtol=1e-12)


def test_candidates_hold_the_planted_pulses_and_few_others() -> None:
    x = noise(3, 40_000)
    places = [5000, 12_000, 20_003, 31_111]
    for at in places:
        x[at : at + 3] += 0.12 * np.array([1.0, -0.8, 0.3])
    channel = Channel(x, 1)
    channel.look(4.6)
    for at in places:
        assert any(first <= at + 2 and last > at for first, last, _ in channel.spans)
    # three degrees of freedom over 4.6 scales: about one frame in 10 000 of Gaussian noise
    assert len(channel.spans) < 25


def test_the_share_of_damage_moves_the_odds_both_ways() -> None:
    assert share_shift(np.full(200, -6.0), 0.3, 7.0, 1.0, 0.05, 1.0) < -1.0
    assert share_shift(np.full(200, 6.0), 0.3, 7.0, 1.0, 0.05, 1.0) == 1.0
    assert share_shift(np.empty(0), 0.3, 7.0, 1.0, 0.05, 1.0) == 0.0
    # odds that fit the share already stay: 200 candidates, a third of them damage for sure
    mixed = np.where(np.arange(200) < 67, 9.0, -9.0)
    assert abs(share_shift(mixed, 1.0 / 3.0, 7.0, 1.0, 0.05, 1.0)) < 0.05


def test_the_share_of_damage_is_that_of_all_rounds_written_out() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        odds = rng.normal(rng.uniform(-4.0, 4.0), 3.0, 80)
        shift, prior = 0.0, math.log(0.2 / 0.8)
        for _ in range(SHARE_ROUNDS):
            share = ((1.0 / (1.0 + np.exp(-odds - shift))).sum() + 0.05 * 2.0) / 82.0
            shift = float(np.clip(math.log(share / (1.0 - share)) - prior, -3.0, 1.5))
        asked = np.insert(odds, [3, 70], np.inf)
        assert share_shift(asked, 0.2, 3.0, 1.5, 0.05, 2.0) == pytest.approx(shift, abs=1e-9)


def test_candidates_of_stale_hops_that_stand_out_or_are_due_are_fresh() -> None:
    rng = np.random.default_rng(5)
    peaks = np.sort(rng.choice(20_000, 60, replace=False))
    spans = np.stack([peaks - 5, peaks + 5, peaks], axis=1)
    tests, stale = rng.uniform(3.0, 7.0, 60), rng.random(20) < 0.5
    due = np.array([[10_000.0, 3_000.0, 0.0, 2]])
    for wall in range(2):
        is_due = (np.abs(peaks - 10_000) <= 3_000) & (wall == 1)
        wanted = stale[peaks // 1_000] & ((tests >= 5.0) | is_due)
        kept, sizes = spans.copy(), tests.copy()
        count = keep_fresh(kept, sizes, stale, 1_000, 5.0, due, wall)
        assert kept[:count].tolist() == spans[wanted].tolist()
        assert sizes[:count].tolist() == tests[wanted].tolist()


def test_hops_that_see_a_changed_row_are_stale() -> None:
    rng = np.random.default_rng(6)
    firsts = np.sort(rng.choice(40_000, 6, replace=False))
    rows = np.stack([firsts, firsts + 300, firsts + 9], axis=1)
    stale = np.zeros(40, dtype=bool)
    stale[7] = True
    mark_hops(rows, 1_000, 545, stale)
    for hop in range(40):
        sees = (rows[:, 0] - 545 < 1_000 * (hop + 1)) & (rows[:, 1] + 545 >= 1_000 * hop)
        assert stale[hop] == (sees.any() or hop == 7)


def test_where_the_second_judge_doubts_most_it_doubts_the_rest() -> None:
    channels = [Channel(noise(seed), 1) for seed in (51, 52)]
    share = fitted_weights().edges_share
    for channel in channels:
        channel.odds = np.full(40, 5.0)
        channel.doubts = np.where(np.arange(40) % 8 == 0, 12.0, -8.0)
    eighth = math.log(1.0 / 7.0) - math.log(share / (1.0 - share))
    assert find_shifts(channels) == (PRIOR_UP, pytest.approx(eighth, abs=0.6))
    sure = find_shifts(channels)[1]
    # what it is not sure of goes with the rest
    for channel in channels:
        channel.doubts = np.where(np.arange(40) % 8 == 0, 2.0, -4.0)
    assert find_shifts(channels)[1] < sure - 0.2
    # asked about a few only, it keeps to what it is sure of
    for channel in channels:
        channel.doubts = np.where(np.arange(40) < 2, -1.0, np.inf)
    assert abs(find_shifts(channels)[1]) < 1.0
    for channel in channels:
        channel.doubts = np.full(40, 4.0)
    assert find_shifts(channels)[1] == DOUBT_UP
    # where it is never asked, it says nothing
    for channel in channels:
        channel.doubts = np.full(40, np.inf)
    assert find_shifts(channels)[1] == 0.0


def test_mended_planes_differ_only_in_the_spans() -> None:
    planes = np.stack([noise(9, 30_000), noise(10, 30_000)])
    planes[0, 9000:9003] += [0.3, -0.25, 0.1]
    planes[1, 20_000:20_004] += [0.2, -0.3, 0.2, -0.1]
    manner = Manner(open_at=4.6, odds=0.0)
    repaired = mend_channels(planes, 1, 44_100, manner, [], 0, 30_000)
    rows = repaired.spans.tolist()
    found = {(r[WALL], r[START] <= at < r[START] + r[LENGTH]) for r in rows for at in (9001, 20_001)}
    assert (0, True) in found
    assert (1, True) in found
    assert [r[FATE] for r in rows] == [MENDED] * len(rows)
    assert [len(values) for values in each_values(repaired)] == [r[LENGTH] for r in rows]


def test_what_looked_like_damage_and_is_a_cut_is_told_as_undone() -> None:
    """Chords cut hard, a bump on each cut: the sound behind is another than that before."""
    rng = np.random.default_rng(3)
    planes = 2e-4 * rng.standard_normal((2, 100_000))
    cuts = np.arange(8_000, 92_000, 7_000)
    for at in cuts.tolist():
        for plane in planes:
            for hz in rng.uniform(200.0, 1_200.0, 3):
                plane[at : at + 7_000] += 0.05 * np.sin(
                    2.0 * np.pi * hz / 44_100 * np.arange(7_000) + rng.uniform(0, 6)
                )
        planes[:, at : at + 120] += 0.1 * np.hanning(120) * rng.standard_normal()
    repaired = mend_channels(planes, 1, 44_100, Manner(open_at=4.6, odds=1.0), [], 0, 100_000)
    undone = repaired.spans[:, FATE] == UNDONE
    rows = repaired.spans[undone]
    assert len(rows) >= 4
    near = np.abs(rows[:, PEAK, np.newaxis] - cuts).min(axis=1)
    assert np.mean(near < 400) >= 0.5
    assert (repaired.facts[undone, SIZE_DB] > 13.0).all(), "over the test level"


def test_what_is_due_is_worth_nats_in_its_window_on_its_wall() -> None:
    spans = np.array([[90, 110, 100], [190, 210, 200], [195, 220, 205], [290, 310, 300]])
    due = [(201.0, 4.5, -1.0, 1), (203.0, 2.5, -3.0, 3), (300.0, 1.0, -9.0, 3)]
    plain = np.zeros(4)
    for frame, wide, odds, walls in due:
        for row, peak in enumerate(spans[:, 2]):
            if walls & 1 and abs(peak - frame) <= wide:
                plain[row] = max(plain[row], min(DUE_LIMIT, max(0.0, odds + DUE_LIMIT)))
    bonus = np.empty(4)
    for wall, given, wanted in (
        (0, np.array(due), [0.0, 4.0, 4.0, 0.0]),
        (1, np.array(due), [0.0, 0.0, 2.0, 0.0]),
        (0, NOTHING_DUE, [0.0] * 4),
    ):
        spread_due(spans, given, wall, bonus)
        assert bonus.tolist() == wanted
    assert plain.tolist() == [0.0, 4.0, 4.0, 0.0]


def test_the_calm_share_is_that_of_the_plain_means() -> None:
    rng = np.random.default_rng(21)
    means = rng.uniform(0.5, 20.0, 40)
    scale, peaks, reach = rng.uniform(0.5, 3.0, 40), np.array([3, 200, 330, 639]), 7
    plain = []
    for peak in peaks:
        here = peak // CELL
        cells = range(max(0, here - reach), min(40, here + reach))
        power = np.mean(np.minimum(means[list(cells)], 8.0 * scale[list(cells)]) ** 2)
        plain.append(float(np.clip(scale[here] ** 2 / power, 0.01, 1.0)))
    np.testing.assert_allclose(calm_share(means, scale, peaks, reach, 0.01), plain, rtol=1e-12)
    assert min(plain) == 0.01 < max(plain)
