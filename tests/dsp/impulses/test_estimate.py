"""The estimate of a damaged span, against a dense solution and against what it must not do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from sidekeep.dsp.impulses.estimate import estimate_span, estimate_spans
from sidekeep.dsp.impulses.music_parts import half_window, split_music

Floats = NDArray[np.float64]
ORDER, CONTEXT = 16, 600


def process(seed: int, length: int = 3000) -> Floats:
    """Predictable music: a resonant autoregressive process, rms about 0.1."""
    noise = np.random.default_rng(seed).standard_normal(length + 500)
    poles = np.exp(1j * np.array([0.12, 0.4, 1.1])) * np.array([0.99, 0.97, 0.9])
    taps = np.poly(np.concatenate([poles, poles.conj()])).real
    x = lfilter([1.0], taps, noise)[500:]
    return 0.1 * x / x.std()


def pulse(length: int) -> Floats:
    """A damped bump."""
    t = np.arange(length)
    return np.exp(-t / (0.25 * length)) * np.sin(2.0 * np.pi * (t + 1) / length)


def fall_db(clean: Floats, before: Floats, after: Floats) -> float:
    """Error fall."""
    return float(10.0 * np.log10(np.sum((before - clean) ** 2) / np.sum((after - clean) ** 2)))


def alone(observed: Floats, start: int, stop: int, rounds: int, smooth: int) -> Floats:
    """One channel, mended."""
    working = observed[np.newaxis].copy()
    estimate_span(
        observed[np.newaxis],
        working,
        start,
        stop,
        half_window(CONTEXT),
        ORDER,
        rounds,
        smooth,
        np.ones(1),
        False,
    )
    return working[0]


def test_the_first_round_is_the_least_squares_filling() -> None:
    # Godsill & Rayner 1998, chapter 5: x_U = -(A_U' A_U)^-1 A_U' A_K x_K, with rows of A all round the gap
    clean = process(1)
    start, stop = 1500, 1512
    observed = clean.copy()
    observed[start:stop] += 5.0
    working = alone(observed, start, stop, 1, 4)
    correlation, model, powers = np.empty((1, ORDER + 1)), np.empty((1, ORDER + 1)), np.empty(1)
    split_music(observed[np.newaxis], start, stop, half_window(CONTEXT), ORDER, correlation, model, powers)
    rows = np.arange(start - ORDER, stop + 2 * ORDER)
    errors = np.zeros((stop + ORDER - start, len(rows)))
    for row in range(len(errors)):
        errors[row, row : row + ORDER + 1] = model[0, ::-1]
    unknown = (rows >= start) & (rows < stop)
    wanted = np.linalg.lstsq(errors[:, unknown], -errors[:, ~unknown] @ clean[rows[~unknown]], rcond=None)[0]
    # but for the tiny ridge on the diagonal
    np.testing.assert_allclose(working[start:stop], wanted, atol=2e-3 * np.abs(wanted).max())


def test_weighing_beats_filling_on_pulses_that_fade() -> None:
    filled, weighed = [], []
    for seed in range(12):
        clean = process(seed)
        observed = clean.copy()
        observed[1500:1560] += 0.3 * pulse(60)
        for rounds, falls in ((1, filled), (8, weighed)):
            working = alone(observed, 1500, 1560, rounds, 8)
            assert np.array_equal(working[:1500], observed[:1500])
            assert np.array_equal(working[1560:], observed[1560:])
            falls.append(fall_db(clean, observed, working))
    assert np.median(weighed) > np.median(filled) + 1.0
    assert min(weighed) > 0.0


def test_a_span_without_damage_is_hardly_changed() -> None:
    clean = process(3)
    working = alone(clean, 1500, 1540, 8, 8)
    filled = alone(clean, 1500, 1540, 1, 8)
    assert np.sum((working - clean) ** 2) < 0.3 * np.sum((filled - clean) ** 2)


def test_a_click_on_one_wall_leaves_the_other_alone_and_uses_it() -> None:
    single, paired = [], []
    for seed in range(10):
        left = process(seed)
        right = 0.8 * left + 0.02 * process(seed + 100)
        observed = left.copy()
        observed[1500:1540] += 0.2 * pulse(40)
        single.append(fall_db(left, observed, alone(observed, 1500, 1540, 8, 6)))
        both = np.stack([observed, right])
        walls = both.copy()
        gains = np.array([1.0, 0.0])
        estimate_span(both, walls, 1500, 1540, half_window(CONTEXT), ORDER, 8, 6, gains, False)
        assert np.array_equal(walls[1], right)
        paired.append(fall_db(left, observed, walls[0]))
    assert np.median(paired) > np.median(single) + 3.0


def test_one_channel_is_two_of_which_the_other_says_nothing() -> None:
    left = process(5)
    observed = left.copy()
    observed[1500:1540] += 0.2 * pulse(40)
    both = np.stack([observed, 0.01 * np.random.default_rng(7).standard_normal(len(left))])
    walls = both.copy()
    gains = np.array([1.0, 0.0])
    estimate_span(both, walls, 1500, 1540, half_window(CONTEXT), ORDER, 8, 6, gains, False)
    np.testing.assert_allclose(walls[0], alone(observed, 1500, 1540, 8, 6), atol=1e-9)


def test_a_vertical_click_is_seen_in_the_difference() -> None:
    falls = []
    for seed in range(10):
        middle, wide = process(seed), 0.05 * process(seed + 50)
        clean = np.stack([middle + wide, middle - wide])
        hit = 0.2 * pulse(40)
        observed = clean.copy()
        observed[0, 1500:1540] += hit
        observed[1, 1500:1540] -= 0.7 * hit
        working = observed.copy()
        explained = np.empty(1)
        estimate_spans(observed, working, np.array([[1500, 1540]]), CONTEXT, ORDER, 8, 1, explained)
        assert explained[0] > 12.0
        falls.append(fall_db(clean.ravel(), observed.ravel(), working.ravel()))
    assert np.median(falls) > 12.0


def test_music_that_both_walls_share_does_not_tell_the_sign_of_a_vertical_pulse() -> None:
    """Specks that press the walls apart under noise that is much the same on both: with the sign of what the walls share half of
    the estimates made them worse, and their falls were 0.1 dB in the middle."""
    falls = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        clean = rng.standard_normal(3000) + 0.6 * rng.standard_normal((2, 3000))
        observed = clean.copy()
        observed[:, 1500:1516] += 2.0 * np.outer([1.0, -1.0], pulse(16))
        working, explained = observed.copy(), np.empty(1)
        spans = np.array([[1499, 1517]], dtype=np.int64)
        estimate_spans(observed, working, spans, CONTEXT, ORDER, 8, 1, explained)
        falls.append(fall_db(clean, observed, working))
    assert np.median(falls) > 2.0
    assert np.mean(np.array(falls) < 0.0) < 0.25
