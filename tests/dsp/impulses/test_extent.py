"""Ends of damaged spans: the evidence against dense algebra, and against pulses whose ends are known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import toeplitz
from scipy.signal import lfilter

from sidekeep.dsp.impulses.damage_spans import DamageSpans, overlap
from sidekeep.dsp.impulses.extent import PRICE_NATS, best_end, first_row, fit_extents

Floats = NDArray[np.float64]
ORDER, CONTEXT = 16, 512


def music(seed: int, length: int = 3000) -> Floats:
    rng = np.random.default_rng(seed)
    return np.asarray(0.01 * lfilter([1.0], [1.0, -1.6, 0.81], rng.standard_normal(length)))


@pytest.mark.parametrize("least", [1, 7])
def test_the_best_end_is_that_of_dense_algebra(least: int) -> None:
    rng = np.random.default_rng(3)
    model = np.array([1.0, -1.2, 0.6, -0.1])
    taps = np.correlate(model, model, "full")[3:]
    matrix = toeplitz(np.append(taps, np.zeros(36)))
    force = 3.0 * np.linalg.cholesky(matrix) @ np.r_[rng.standard_normal(12), np.zeros(28)]
    explained = [0.5 * force[:k] @ np.linalg.solve(matrix[:k, :k], force[:k]) for k in range(1, 41)]
    wanted = least + int(np.argmax((np.array(explained) - PRICE_NATS * np.arange(1, 41))[least - 1 :]))
    band, rest = np.empty((40, 4)), np.empty(5)
    first_row(band, taps, rest)
    end, ready = best_end(force.copy(), band, 1, rest, least, PRICE_NATS)
    assert end == wanted
    assert end <= ready <= 40


def test_known_ends_are_found_from_a_first_guess_inside() -> None:
    early, late = [], []
    for seed in range(12):
        clean = np.stack([music(seed), music(seed + 50)])
        observed = clean.copy()
        pulse = 0.2 * np.hanning(32)[1:-1] * np.cos(0.4 * np.arange(30))
        observed[0, 1500:1530] += pulse
        observed[1, 1500:1530] -= 0.6 * pulse
        spans = np.array([[1510, 1514, 1512]])
        fit_extents(observed, observed, spans, np.array([[30, 60]]), CONTEXT, ORDER, np.array([PRICE_NATS]))
        early.append(spans[0, 0] - 1500)
        late.append(spans[0, 1] - 1530)
    # the first and the last frames of the pulse are smaller than the music's own surprises
    assert -3 <= np.median(early) <= 6
    assert -6 <= np.median(late) <= 3


def test_one_channel_has_ends_too_and_nothing_but_spans_changes() -> None:
    clean = music(9)[None, :]
    observed = clean.copy()
    observed[0, 1500:1520] += 0.3 * np.hanning(20)
    kept, spans = observed.copy(), np.array([[1508, 1510, 1509], [4, 6, 5]])
    fit_extents(observed, observed, spans, np.full((2, 2), 25), CONTEXT, ORDER, np.full(2, PRICE_NATS))
    assert np.array_equal(observed, kept)
    assert abs(spans[0, 0] - 1500) < 6
    assert abs(spans[0, 1] - 1520) < 6


def test_tables_join_what_touches_and_keep_long_ones_apart() -> None:
    one = DamageSpans(np.array([[10, 20, 15], [50, 60, 55]]), np.array([5.0, 9.0]))
    two = DamageSpans(np.array([[20, 30, 22], [58, 170, 60], [300, 301, 300]]), np.array([8.0, 3.0, 4.0]))
    joined = one.joined(two, 100)
    assert joined.rows.tolist() == [[10, 30, 22], [50, 60, 55], [60, 170, 60], [300, 301, 300]]
    assert joined.sizes.tolist() == [8.0, 9.0, 3.0, 4.0]
    assert joined.meeting(DamageSpans(np.array([[25, 26, 25]]), np.array([1.0]))).rows.tolist() == [
        [10, 30, 22]
    ]
    assert len(DamageSpans.none().joined(DamageSpans.none(), 10)) == 0


def test_overlap_is_of_half_open_spans() -> None:
    first, stop = np.array([0, 10, 20, 5]), np.array([10, 20, 30, 40])
    assert overlap(first, stop, np.array([10]), np.array([12])).tolist() == [False, True, False, True]
    assert not overlap(first, stop, np.empty(0, np.int64), np.empty(0, np.int64)).any()
