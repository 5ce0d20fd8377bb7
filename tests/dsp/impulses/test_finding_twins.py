"""Kernels that find damage, each against its plain twin: numpy and lists, nothing clever."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz

from sidekeep.dsp.impulses.autoregression import RIDGE
from sidekeep.dsp.impulses.candidates import (
    CELL,
    LONG_BACK,
    LONG_END,
    LONG_OVER,
    QUIET,
    filter_ahead,
    find_bursts,
    find_candidates,
    find_errors,
    find_scale,
    find_tests,
    fit_predictors,
)
from sidekeep.dsp.impulses.damage_spans import changed_energy, join_rows, merge_rows

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
HOP, ORDER = 256, 8


def noise(seed: int, length: int = 4096) -> Floats:
    """White, 1 % of full scale."""
    return 0.01 * np.random.default_rng(seed).standard_normal(length)


def coloured(seed: int, length: int = 4096) -> Floats:
    return np.convolve(noise(seed, length), [1.0, 0.8, 0.3], "same")


def test_predictors_are_those_of_the_windowed_autocorrelation() -> None:
    x, stale = coloured(1, 5 * HOP), np.array([True, True, False, True, True])
    models = np.full((5, ORDER + 1), -7.0)
    fit_predictors(x, HOP, ORDER, stale, models)
    assert (models[2] == -7.0).all()
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(2 * HOP) + 0.5) / (2 * HOP))
    for b, low in ((0, 0), (1, HOP // 2), (3, 5 * HOP // 2), (4, 3 * HOP)):
        piece = x[low : low + 2 * HOP] * window
        r = np.correlate(piece, piece, "full")[len(piece) - 1 :][: ORDER + 1]
        r[0] = (r[0] + 2 * HOP * 1e-11) * (1.0 + RIDGE)
        np.testing.assert_allclose(models[b], [1.0, *-solve_toeplitz(r[:-1], r[1:])], atol=1e-9)


@pytest.mark.parametrize("taps", [1, 3, 8, 9, 17, 24, 33])
@pytest.mark.parametrize("count", [1, 7, 100])
def test_filtering_ahead_is_the_plain_sum(taps: int, count: int) -> None:
    signal, weights = noise(2, count + taps - 1), noise(3, taps)
    out = np.full(count, np.nan)
    filter_ahead(signal, count, weights, out)
    plain = np.correlate(signal, weights, "valid")[:count]
    np.testing.assert_allclose(out, plain, atol=1e-15)
    single = np.full(count, np.nan, np.float32)
    filter_ahead(signal.astype(np.float32), count, weights.astype(np.float32), single)
    np.testing.assert_allclose(single, plain, atol=1e-5 * np.abs(weights).sum() * np.abs(signal).max())


def plain_candidates(
    x: Floats,
    forward: Floats,
    tests: Floats,
    scale: Floats,
    models: Floats,
    stale: NDArray[np.bool_],
    open_at: float,
    grow_at: float,
    factor: int,
) -> list[tuple[int, int, int, float]]:
    level = np.repeat(scale, CELL)
    end, bridge = len(x) - ORDER - factor, 4 * factor
    backward = np.array([x[n : n + ORDER + 1] @ models[n // HOP] for n in range(len(x) - ORDER)])
    stands_out = (np.sqrt(tests) >= open_at * level) & np.repeat(stale, HOP)
    found: list[tuple[int, int, int, float]] = []
    free = ORDER + factor
    while (opened := next((n for n in range(free, end) if stands_out[n]), -1)) >= 0:
        peak, at = opened, opened
        while at < min(end, peak + 8 * factor):
            peak = at if tests[at] > tests[peak] else peak
            at += 1
        limit = grow_at * level[opened]
        first, last = peak - factor, peak + factor
        edge = peak
        for n in range(peak - 1, ORDER - 1, -1):
            if edge - n > bridge:
                break
            if abs(forward[n]) > limit:
                edge, first = n, min(first, n)
        edge = peak
        for n in range(peak + 1, len(x) - ORDER):
            if n - edge > bridge:
                break
            if abs(backward[n]) > limit:
                edge, last = n, max(last, n)
        found.append((first, last + 1, peak, float(np.sqrt(tests[peak]) / level[opened])))
        free = last + 1
    return found


@pytest.mark.parametrize("factor", [1, 2])
def test_candidates_are_those_of_the_plain_search(factor: int) -> None:
    x = coloured(4, 16 * HOP)
    for at in (300, 303, 900, 1023, 1500, 2049, 3000, 3004, 3011, 4060):
        x[at : at + 3] += 0.12 * np.array([1.0, -0.7, 0.4])
    stale = np.ones(16, dtype=bool)
    models, errors, tests = np.empty((16, ORDER + 1)), np.zeros((2, len(x))), np.zeros(len(x))
    fit_predictors(x, HOP, ORDER, stale, models)
    find_errors(x, HOP, models, stale, *errors)
    find_tests(errors[1], models, HOP, stale, factor, tests)
    means, scale = np.empty((2, len(x) // CELL))
    find_scale(errors[0], HOP, stale, means, scale)
    stale[8] = False  # where 2049 lies
    wanted = plain_candidates(x, errors[0], tests, scale, models, stale, 3.0, 1.5, factor)
    spans, peaks = np.zeros((200, 3), dtype=np.int64), np.zeros(200)
    given = (x, errors[0], tests, scale, models, HOP, stale, 3.0, 1.5, factor)
    count = find_candidates(*given, spans, peaks)
    assert count == len(wanted) > 10
    assert spans[:count].tolist() == [list(row[:3]) for row in wanted]
    np.testing.assert_allclose(peaks[:count], [row[3] for row in wanted], rtol=1e-12)
    # a table that is full ends the search
    assert find_candidates(*given, spans[:4].copy(), peaks[:4].copy()) == 4


def plain_bursts(x: Floats, other: Floats, least: int, most: int) -> list[list[int]]:
    bend = np.diff(x, 2)
    cells = len(bend) // CELL
    mean = np.abs(bend[: cells * CELL]).reshape(cells, CELL).mean(axis=1)
    found, c = [], 40
    while c < cells - 32:
        before = np.median(mean[c - 40 : c - 4]) + QUIET
        if mean[c] < max(LONG_OVER * before, LONG_OVER * QUIET, 3.0 * mean[c - 6]):
            c += 1
            continue
        seen = range(c + 1, min(cells - 33, c + most // CELL) + 1)
        calm_from = [n for n in seen if n + 3 in seen and (mean[n : n + 4] < LONG_END * before).all()]
        if not calm_from:
            c = max(seen, default=c) + 1
            continue
        last = calm_from[0]
        back = LONG_BACK if len(other) else 0.5 * LONG_BACK + 0.5
        if (last - c) * CELL >= least and np.median(mean[last + 2 : last + 26]) < back * before:
            is_damage = True
            if len(other):
                a, b = (np.diff(wall, 2)[c * CELL : last * CELL] for wall in (x, other))
                is_damage = bool(b @ b < 0.03 * (a @ a) or a @ b < -0.5 * np.sqrt((a @ a) * (b @ b)))
            if is_damage:
                found.append([c * CELL, last * CELL])
        c = last + 4
    return found


@pytest.mark.parametrize("kind", ["one wall", "opposite", "alike", "mono"])
def test_bursts_are_those_of_the_plain_search(kind: str) -> None:
    left, right = noise(5, 12_000), noise(6, 12_000)
    # long enough; too short; one that stays; one that never ends within the limit
    for start, length, size in ((2000, 400, 0.5), (4000, 40, 0.5), (5200, 500, 0.3), (8000, 3000, 0.4)):
        burst = size * np.random.default_rng(start).standard_normal(length)
        left[start : start + length] += burst
        if kind in ("opposite", "alike"):
            right[start : start + length] += -0.8 * burst if kind == "opposite" else burst
    other = np.empty(0) if kind == "mono" else right
    spans = np.zeros((20, 2), dtype=np.int64)
    count = find_bursts(left, other, 100, 1200, spans)
    assert spans[:count].tolist() == plain_bursts(left, other, 100, 1200)
    assert count == (0 if kind == "alike" else 2)


@pytest.mark.parametrize("longest", [10**9, 60])
@pytest.mark.parametrize("seed", range(4))
def test_joined_rows_are_the_runs_of_a_painted_line(longest: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    own = 15 * seed
    first = np.concatenate([np.sort(rng.integers(0, 900, many)) for many in (own, 60 - own)])
    stop = first + rng.integers(1, 40, 60)
    rows, sizes = np.stack([first, stop, first], axis=1), rng.permutation(60).astype(float)
    joined, largest = rows.copy(), sizes.copy()
    count = join_rows(joined, largest, own, longest)
    painted = np.zeros(1000, dtype=bool)
    for begin, end in zip(first, stop):
        painted[begin:end] = True
    again = np.zeros(1000, dtype=bool)
    for begin, end, _ in joined[:count]:
        assert not again[begin:end].any(), "rows do not overlap"
        again[begin:end] = True
    assert np.array_equal(painted, again)
    assert (joined[:count, 1] - joined[:count, 0] <= max(longest, (stop - first).max())).all()
    if longest == 10**9:
        for (begin, end, peak), size in zip(joined[:count], largest[:count]):
            inside = (first >= begin) & (stop <= end)
            assert size == sizes[inside].max()
            assert peak == first[inside][np.argmax(sizes[inside])]
        # none of them touch: the last of one and the first of the next are apart
        assert (joined[1:count, 0] > joined[: count - 1, 1]).all()


@pytest.mark.parametrize("own", [0, 1, 20, 50])
def test_two_tables_become_one_in_order(own: int) -> None:
    rng = np.random.default_rng(own)
    first = np.concatenate([np.sort(rng.integers(0, 60, many)) for many in (own, 50 - own)])
    first = np.maximum(0, first + rng.integers(-3, 4, 50))
    rows, sizes = np.stack([first, first + rng.integers(1, 9, 50), np.arange(50)], axis=1), rng.random(50)
    order = np.lexsort((rows[:, 1], rows[:, 0]))
    merged, beside = rows.copy(), sizes.copy()
    merge_rows(merged, beside, own)
    assert merged.tolist() == rows[order].tolist()
    assert beside.tolist() == sizes[order].tolist()


def test_what_is_taken_out_and_left_are_plain_sums_of_squares() -> None:
    rng = np.random.default_rng(5)
    before = rng.standard_normal((2, 400))
    after = before.copy()
    rows = np.array([[10, 30, 12], [30, 31, 30], [200, 260, 201]], dtype=np.int64)
    after[0, 12:28] = 0.5
    after[1, 200:260] *= 0.1
    taken_out, left = changed_energy(before, after, rows)
    for i, (first, last, _) in enumerate(rows.tolist()):
        span = slice(first, last)
        np.testing.assert_allclose(
            taken_out[:, i], np.square(before - after)[:, span].sum(axis=1), rtol=1e-12
        )
        np.testing.assert_allclose(left[:, i], np.square(after)[:, span].sum(axis=1), rtol=1e-12)
    assert taken_out[1, 0] == taken_out[0, 1] == 0.0
