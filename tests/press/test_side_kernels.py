"""Each compiled kernel of the press against a plain numpy twin."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.press.disc.groove import HALF_TAPS, PHASES, play_kernel, sinc_table
from sidekeep.press.disc.noise import add_table
from sidekeep.press.disc.pulses import add_events, event_sizes
from sidekeep.press.scoring.mending import span_errors


def test_play_kernel_is_the_windowed_sum_at_the_cubic_position() -> None:
    rng = np.random.default_rng(1)
    music, table, knot = rng.standard_normal((400, 2)), sinc_table(), 50
    speed = np.asarray(1.0 + 0.01 * rng.standard_normal(12), dtype=np.float64)
    position = np.zeros(12)
    position[1:] = np.cumsum(0.5 * (speed[1:] + speed[:-1]) * knot)
    start, out = 30.25, np.zeros((500, 2))
    play_kernel(music, start, position, speed, knot, table, out, 0, 500)
    plain = np.zeros_like(out)
    offsets = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)
    for n in range(500):
        k, u = n // knot, n % knot / knot
        basis = np.array([2 * u**3 - 3 * u**2 + 1, u**3 - 2 * u**2 + u, 3 * u**2 - 2 * u**3, u**3 - u**2])
        where = basis @ [position[k], knot * speed[k], position[k + 1], knot * speed[k + 1]] - start
        whole = int(np.floor(where))
        row = (where - whole) * PHASES
        taps = table[int(row)] + (row - int(row)) * (table[int(row) + 1] - table[int(row)])
        index = whole + offsets
        held = (index >= 0) & (index < len(music))
        plain[n] = taps[held] @ music[index[held]]
    assert np.abs(out).max() > 1.0
    assert out == pytest.approx(plain, abs=1e-9)


def test_play_kernel_copies_whole_positions() -> None:
    music = np.random.default_rng(2).standard_normal((100, 2))
    out = np.zeros((200, 2))
    play_kernel(music, 40.0, np.linspace(0.0, 250.0, 6), np.ones(6), 50, sinc_table(), out, 0, 200)
    assert np.array_equal(out[40:140], music)
    assert not out[:40].any()
    assert not out[140:].any()


def test_add_events_blocks_equal_the_whole() -> None:
    rng = np.random.default_rng(3)
    wave, count = rng.standard_normal(500), 40
    start, length = rng.integers(-20, 300, count), rng.integers(1, 60, count)
    offset, gains = rng.integers(0, 400, count), rng.standard_normal((count, 2))
    plain = np.zeros((300, 2))
    for i in range(count):
        for k in range(length[i]):
            if 0 <= start[i] + k < 300:
                plain[start[i] + k] += gains[i] * wave[offset[i] + k]
    whole, parts = np.zeros((300, 2)), np.zeros((300, 2))
    add_events(whole, 0, start, length, offset, gains, wave)
    for first in range(0, 300, 70):
        add_events(parts[first : first + 70], first, start, length, offset, gains, wave)
    assert whole == pytest.approx(plain, abs=1e-12)
    assert parts == pytest.approx(plain, abs=1e-12)


def test_event_sizes_are_the_whitened_peak_over_the_slope() -> None:
    rng = np.random.default_rng(4)
    wave, rows = rng.standard_normal(200), np.array([2, 0])
    length, offset = np.array([10, 7, 50]), np.array([0, 30, 100])
    gains = np.array([[0.5, 0.0], [1.0, 1.0], [0.1, -2.0]])
    predictors, slopes = rng.standard_normal((2, 2, 9)), rng.uniform(0.1, 1.0, (2, 2))
    stretch = np.array([1, 0])
    heights, sizes = np.zeros(3), np.zeros(3)
    event_sizes(rows, stretch, length, offset, gains, wave, predictors, slopes, heights, sizes)
    for row, where in zip(rows, stretch, strict=True):
        shape = wave[offset[row] : offset[row] + length[row]]
        each = [
            abs(gains[row, c]) * np.abs(np.convolve(predictors[where, c], shape)).max() / slopes[where, c]
            for c in (0, 1)
        ]
        assert sizes[row] == pytest.approx(max(each))
        assert heights[row] == pytest.approx(np.abs(gains[row]).max() * np.abs(shape).max())
    assert sizes[1] == heights[1] == 0.0


def test_add_table_runs_through_the_cycle() -> None:
    table = np.stack([np.sin(2 * np.pi * np.linspace(0, 1, 4097)), np.linspace(0, 1, 4097)], axis=1)
    block = np.zeros((1000, 2))
    add_table(block, table, 0.3, 0.00731)
    phase = (0.3 + 0.00731 * np.arange(1000)) % 1.0
    assert block[:, 0] == pytest.approx(np.sin(2 * np.pi * phase), abs=1e-6)
    assert block[:, 1] == pytest.approx(phase, abs=1e-9)


def test_span_errors_count_the_channels_asked_for() -> None:
    rng = np.random.default_rng(5)
    take, twin, mended = (rng.standard_normal((100, 2)) for _ in range(3))
    mended[40:60] = take[40:60]
    start, stop = np.array([0, 40, 90]), np.array([10, 60, 100])
    channels = np.array([[True, False], [True, True], [False, True]])
    before, after, touched = np.zeros(3), np.zeros(3), np.zeros(3, dtype=np.bool_)
    span_errors(take, twin, mended, start, stop, channels, before, after, touched)
    for i in range(3):
        span = slice(start[i], stop[i])
        assert before[i] == pytest.approx(np.sum(np.square(take[span] - twin[span])[:, channels[i]]))
        assert after[i] == pytest.approx(np.sum(np.square(mended[span] - twin[span])[:, channels[i]]))
    assert touched.tolist() == [True, False, True]
