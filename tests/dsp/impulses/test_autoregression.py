"""Fits and band solvers against dense linear algebra of numpy and scipy (reference libraries)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz
from scipy.signal import lfilter

from sidekeep.dsp.impulses.autoregression import (
    add_products,
    autocorrelate,
    correlate_walls,
    factor_band,
    invert_band,
    levinson,
    model_correlation,
    solve_band,
    solve_products,
)

Floats = NDArray[np.float64]


@pytest.mark.parametrize(("length", "order"), [(300, 8), (300, 11), (9, 8), (5, 8), (1, 3)])
def test_correlations_equal_numpy(length: int, order: int) -> None:
    x = np.random.default_rng(1).standard_normal(length)
    out = np.full(order + 1, np.nan)
    autocorrelate(x, order, out)
    wanted = np.r_[np.correlate(x, x, "full")[length - 1 :], np.zeros(order)][: order + 1]
    np.testing.assert_allclose(out, wanted, atol=1e-14)


@pytest.mark.parametrize(("length", "order"), [(300, 8), (300, 11), (9, 8), (5, 8), (1, 3)])
def test_correlations_of_two_walls_equal_numpy(length: int, order: int) -> None:
    left, right = np.random.default_rng(4).standard_normal((2, length))
    got = np.full((3, order + 1), np.nan)
    correlate_walls(left, right, order, got)
    for row, signal in zip(got, (left, right, left + right)):
        wanted = np.r_[np.correlate(signal, signal, "full")[length - 1 :], np.zeros(order)][: order + 1]
        np.testing.assert_allclose(row, wanted, atol=1e-12)


@pytest.mark.parametrize("order", [8, 9, 11])
@pytest.mark.parametrize("length", [200, 15, 12, 10, 3])
def test_products_are_those_of_the_windows_that_fit(length: int, order: int) -> None:
    x = np.random.default_rng(5).standard_normal(length)
    first, band = np.ones(order + 1), np.ones((order, order))
    add_products(x, order, first, band)
    windows = [x[at : at + order + 1][::-1] for at in range(length - order)]
    wanted = 1.0 + sum((np.outer(one, one) for one in windows), np.zeros((order + 1, order + 1)))
    np.testing.assert_allclose(first, wanted[0], atol=1e-12)
    for i in range(order):
        np.testing.assert_allclose(band[i, : order - i], wanted[i + 1, i + 1 :], atol=1e-12)


def test_the_model_of_products_is_that_of_dense_least_squares() -> None:
    x = lfilter([1.0], [1.0, -1.6, 0.81], np.random.default_rng(6).standard_normal(200))
    first, band, model = np.zeros(9), np.zeros((8, 8)), np.empty(9)
    add_products(x, 8, first, band)
    power = np.trace(
        np.lib.stride_tricks.sliding_window_view(x[:-1], 8).T
        @ np.lib.stride_tricks.sliding_window_view(x[:-1], 8)
    )
    left = solve_products(first, band, 0.01, 0.5, model)
    windows = np.lib.stride_tricks.sliding_window_view(x, 9)[:, ::-1]
    before = windows[:, 1:]
    noise = (0.01 * power / 8 + 0.5) * np.eye(8)
    taps = np.linalg.solve(before.T @ before + noise, -before.T @ windows[:, 0])
    np.testing.assert_allclose(model, np.r_[1.0, taps], atol=1e-9)
    assert left == pytest.approx(float(windows[:, 0] @ windows @ model), rel=1e-9)


def test_levinson_equals_the_toeplitz_solver() -> None:
    rng = np.random.default_rng(2)
    x = lfilter([1.0], [1.0, -1.6, 0.81], rng.standard_normal(4000))
    correlation = np.empty(13)
    autocorrelate(x, 12, correlation)
    model, scratch = np.empty(13), np.empty(26)
    power = levinson(correlation, 12, model, scratch)
    wanted = solve_toeplitz(correlation[:12], -correlation[1:])
    np.testing.assert_allclose(model[1:], wanted, atol=1e-6)
    assert power == pytest.approx(correlation[0] + wanted @ correlation[1:], rel=1e-6)
    # the process was made with these two taps
    np.testing.assert_allclose(model[1:3], [-1.6, 0.81], atol=0.05)


def test_levinson_survives_silence_and_a_pure_tone() -> None:
    model, scratch, correlation = np.empty(33), np.empty(66), np.zeros(33)
    assert levinson(correlation, 32, model, scratch) >= 0.0
    assert np.isfinite(model).all()
    autocorrelate(np.sin(0.1 * np.arange(2048)) * np.hanning(2048), 32, correlation)
    assert levinson(correlation, 32, model, scratch) > 0.0
    assert np.isfinite(model).all()


def _band(size: int, width: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    dense = np.zeros((size, size))
    for d in range(width + 1):
        values = rng.uniform(-1.0, 1.0, size - d)
        dense += np.diag(values, d) + (np.diag(values, -d) if d else 0.0)
    dense += np.eye(size) * (2.0 * width + 3.0)
    band = np.zeros((size, width + 1))
    for i in range(size):
        for d in range(min(size - 1 - i, width) + 1):
            band[i, d] = dense[i, i + d]
    return dense, band


@pytest.mark.parametrize(("size", "width"), [(1, 4), (3, 8), (40, 6), (60, 32)])
def test_band_solver_and_inverse_equal_dense_ones(size: int, width: int) -> None:
    width_used = min(width, size - 1) if size > 1 else width
    dense, band = (
        _band(size, width_used) if size > 1 else (np.array([[5.0]]), np.array([[5.0] + [0.0] * width]))
    )
    right = np.random.default_rng(4).standard_normal(size)
    factor_band(band, size, width_used)
    got = right.copy()
    solve_band(band, size, width_used, got)
    np.testing.assert_allclose(got, np.linalg.solve(dense, right), rtol=1e-9)
    inverse = np.zeros((size, 2 * width_used + 1))
    invert_band(band, size, width_used, inverse)
    wanted = np.linalg.inv(dense)
    for d in range(min(width_used, size - 1) + 1):
        above, below = inverse[: size - d, width_used + d], inverse[d:, width_used - d]
        np.testing.assert_allclose(above, np.diag(wanted, d), rtol=1e-8, atol=1e-12)
        np.testing.assert_array_equal(above, below)


def test_model_correlation_is_the_diagonal_of_the_normal_matrix() -> None:
    model = np.array([1.0, -0.7, 0.2, 0.1])
    taps = np.empty(4)
    model_correlation(model, 3, taps)
    errors = np.array([np.convolve(row, model) for row in np.eye(12)])
    normal = errors @ errors.T
    for lag in range(4):
        np.testing.assert_allclose(np.diag(normal, lag), taps[lag])


@pytest.mark.parametrize("order", [0, 1, 2, 3, 4, 7, 10, 32, 48])
def test_model_correlation_equals_numpy(order: int) -> None:
    model, taps = np.random.default_rng(order).standard_normal(order + 1), np.empty(order + 1)
    model_correlation(model, order, taps)
    np.testing.assert_allclose(taps, np.correlate(model, model, "full")[order:], rtol=1e-12, atol=1e-12)
