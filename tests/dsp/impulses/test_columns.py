"""Signals laid out in columns, and what is filtered and correlated there, against plain numpy."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.impulses.columns import (
    DOUBLES,
    LINE_BYTES,
    SINGLES,
    correlate_columns,
    filter_columns,
    lay_back,
    lay_out,
    on_lines,
)


@pytest.mark.parametrize("count", [1, 7, 100, 5000])
def test_what_is_asked_for_begins_on_a_line_of_memory(count: int) -> None:
    got = on_lines(count)
    assert got.shape == (count,)
    assert got.ctypes.data % LINE_BYTES == 0


@pytest.mark.parametrize("columns", [DOUBLES, SINGLES])
@pytest.mark.parametrize(("places", "more"), [(1, 0), (5, 3), (12, 40)])
def test_columns_are_pieces_of_the_signal_side_by_side_and_go_back(
    columns: int, places: int, more: int
) -> None:
    signal = np.random.default_rng(1).standard_normal(columns * places + more)
    laid = np.full(columns * (places + more), np.nan)
    lay_out(signal, columns, places, laid)
    wanted = [signal[places * c : places * c + places + more] for c in range(columns)]
    assert np.array_equal(laid.reshape(-1, columns), np.transpose(wanted))
    back = np.full(columns * places, np.nan)
    lay_back(laid, columns, places, back)
    assert np.array_equal(back, signal[: columns * places])


@pytest.mark.parametrize("taps", [1, 8, 17, 24, 33])
def test_filtering_in_columns_is_filtering_along_the_signal(taps: int) -> None:
    rng, places = np.random.default_rng(2), 11
    weights, signal = rng.standard_normal(taps), rng.standard_normal(DOUBLES * places + taps - 1)
    laid, out = np.empty(DOUBLES * (places + taps - 1)), np.full(DOUBLES * places, np.nan)
    lay_out(signal, DOUBLES, places, laid)
    filter_columns(laid, DOUBLES, weights, out)
    plain = np.correlate(signal, weights, "valid")
    np.testing.assert_allclose(out.reshape(-1, DOUBLES).T.ravel(), plain, atol=1e-13)
    single = np.full(len(out), np.nan, np.float32)
    filter_columns(laid.astype(np.float32), DOUBLES, weights.astype(np.float32), single)
    np.testing.assert_allclose(single, out, atol=1e-4)


@pytest.mark.parametrize("order", [0, 2, 3, 8, 32])
@pytest.mark.parametrize("length", [8, 61, 400])
def test_correlations_in_columns_are_those_along_the_signal(order: int, length: int) -> None:
    places = -(-length // DOUBLES)
    signal = np.zeros(DOUBLES * places + order)
    signal[:length] = np.random.default_rng(3).standard_normal(length)
    laid, out = np.empty(DOUBLES * (places + order)), np.full(order + 1, np.nan)
    lay_out(signal, DOUBLES, places, laid)
    correlate_columns(laid, DOUBLES, order, out)
    plain = [signal[: len(signal) - k] @ signal[k:] for k in range(order + 1)]
    np.testing.assert_allclose(out, plain, atol=1e-12)
