"""The steps of the estimate of a damaged span, each against dense algebra of the same sums.

Conventions: ``spread[i, k]`` of a kernel is element (i, i + k) of a symmetric covariance whose other elements are 0.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz, toeplitz

from sidekeep.dsp.impulses.autoregression import RIDGE, invert_band
from sidekeep.dsp.impulses.estimate import (
    estimate_span,
    estimate_spans,
    fade_parts,
    fill_in,
    learn_part,
    pull_of,
    see_parts,
    sum_spread,
)
from sidekeep.dsp.impulses.extent import factor_row, first_row, fit_zone
from sidekeep.dsp.impulses.music_parts import half_window, rotated, split_music
from sidekeep.dsp.impulses.pulse import (
    COLOUR,
    HURRY,
    SETTLED,
    TINY,
    WHITE_FRAMES,
    fit_colour,
    has_settled,
    learn_pulse,
    weigh,
)
from sidekeep.dsp.impulses.wall_gains import (
    LEAST_GAIN,
    choose_sign,
    guess_gains,
    learn_gains,
    likelier_turned,
)

Floats = NDArray[np.float64]
ORDER, SPAN = 6, 20


def numbers(seed: int, *shape: int) -> Floats:
    return np.random.default_rng(seed).standard_normal(shape)


def music(seed: int, length: int = 400) -> Floats:
    """Two walls that have much in common."""
    shared, own = numbers(seed, length + 10), 0.3 * numbers(seed + 1, 2, length + 10)
    taps = [1.0, 0.9, 0.5, 0.2]
    return np.stack([np.convolve(shared + wall, taps, "valid")[:length] for wall in own])


def correlation(x: Floats, order: int = ORDER) -> Floats:
    return np.array([x[: len(x) - k] @ x[k:] for k in range(order + 1)])


def covariance(seed: int) -> tuple[Floats, Floats]:
    """A banded covariance, dense and by rows."""
    root = np.triu(np.tril(numbers(seed, SPAN, SPAN), 2))
    dense = root @ root.T
    rows = np.zeros((SPAN, 2 * ORDER + 1))
    for k in range(ORDER + 1):
        rows[: SPAN - k, ORDER + k] = np.diag(dense, k)
        rows[k:, ORDER - k] = np.diag(dense, k)
    return np.triu(np.tril(dense, ORDER), -ORDER), rows


def predictor(r: Floats) -> tuple[Floats, float]:
    """Model and innovation power of a windowed autocorrelation."""
    r = r.copy()
    r[0] *= 1.0 + RIDGE
    model = np.array([1.0, *-solve_toeplitz(r[:-1], r[1:])])
    return model, float(model @ r)


def rotation(cosine: float, sine: float) -> Floats:
    return np.array([[cosine, sine], [-sine, cosine]])


def test_the_parts_are_a_rotation_and_rotate_back() -> None:
    cosine, sine = np.cos(0.7), np.sin(0.7)
    np.testing.assert_allclose(rotated(cosine, sine, 0.3, -2.0), rotation(cosine, sine) @ [0.3, -2.0])
    np.testing.assert_allclose(rotated(cosine, -sine, *rotated(cosine, sine, 0.3, -2.0)), [0.3, -2.0])


def test_the_half_window_is_half_a_hann_window() -> None:
    np.testing.assert_allclose(half_window(31), np.hanning(65)[32:-1], atol=1e-15)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(("start", "stop"), [(150, 170), (20, 40), (370, 395)])
def test_music_is_split_where_least_is_left_to_predict(channels: int, start: int, stop: int) -> None:
    working, fade = music(1)[:channels], half_window(60)
    weights = np.zeros(400)
    for n in range(400):
        away = start - n if n < start else n - stop + 1
        weights[n] = 0.0 if start <= n < stop or away > 60 else fade[away]
    seen = slice(max(0, start - 60), min(400, stop + 60))
    tried = []
    for angle in (0.0, np.pi / 4.0)[:channels]:
        parts = rotation(np.cos(angle), np.sin(angle))[:channels, :channels] @ (working * weights)[:, seen]
        rows = [correlation(part) for part in parts]
        for row in rows:
            row[0] += (seen.stop - seen.start) * 1e-12
        tried.append((sum(np.log(predictor(row)[1]) for row in rows), angle, rows))
    _, angle, rows = min(tried, key=lambda one: one[0])
    got, models, powers = np.empty((channels, ORDER + 1)), np.empty((channels, ORDER + 1)), np.empty(channels)
    cosine, sine, share = split_music(working, start, stop, fade, ORDER, got, models, powers)
    np.testing.assert_allclose((cosine, sine), (np.cos(angle), np.sin(angle)), atol=1e-12)
    assert share == pytest.approx(float(weights @ weights))
    np.testing.assert_allclose(got, rows, rtol=1e-9)
    for c, row in enumerate(rows):
        model, power = predictor(row)
        np.testing.assert_allclose(models[c], model, atol=1e-6)
        assert powers[c] == pytest.approx(power, rel=1e-6)


@pytest.mark.parametrize(("left", "right"), [(1.0, -0.4), (0.2, 0.9)])
def test_first_gains_are_ratio_and_sign_of_second_differences(left: float, right: float) -> None:
    observed = np.outer([left, right], numbers(2, 60)) + 0.01 * numbers(3, 2, 60)
    gains = np.empty(2)
    guess_gains(observed, 20, 40, gains)
    a, b = np.diff(observed, 2)[:, 18:38]
    ratio = np.sqrt((b @ b) / (a @ a))
    wanted = [min(1.0, 1.0 / ratio), np.sign(a @ b) * min(1.0, ratio)]
    np.testing.assert_allclose(gains, wanted, rtol=1e-12)
    assert np.sign(gains[1]) == np.sign(right)


@pytest.mark.parametrize("seed", range(8))
def test_the_sign_of_the_second_wall_is_that_which_explains_most(seed: int) -> None:
    pulls, powers = numbers(40 + seed, 2, SPAN), np.array([0.7, 0.2])
    taps = np.stack([correlation(np.r_[1.0, 0.4 * numbers(50 + seed + c, ORDER)]) for c in range(2)])
    cosine = sine = np.sqrt(0.5)
    white, whole = np.empty(2), np.empty(2)
    for turned in (0, 1):
        g = rotation(cosine, sine) @ np.array([1.0, -0.6 if turned else 0.6])
        told = g @ pulls
        white[turned] = told @ told / (np.square(g) @ (taps[:, 0] / powers))
        whole[turned] = told @ np.linalg.solve(
            sum(g[c] ** 2 / powers[c] * dense_taps(taps[c]) for c in (0, 1)), told
        )
    gains, rotated_gains, wave, force = np.array([1.0, 0.6]), np.empty(2), np.empty(SPAN), np.empty(SPAN)
    assert likelier_turned(pulls, taps, powers, cosine, sine, gains) == (white[1] > white[0])
    band = np.empty((SPAN, ORDER + 1))
    choose_sign(
        pulls, taps, powers, cosine, sine, np.ones(SPAN), np.ones(3), force, band, wave, gains, rotated_gains
    )
    assert gains.tolist() == [1.0, -0.6 if whole[1] > whole[0] else 0.6]
    np.testing.assert_allclose(rotated_gains, rotation(cosine, sine) @ gains, atol=1e-12)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("start", [16, 2, 68])
def test_parts_show_the_take_in_the_span_and_the_mended_one_round_it(channels: int, start: int) -> None:
    observed, working = numbers(4, channels, 90), numbers(5, channels, 90)
    mixed = working.copy()
    mixed[:, start : start + 20] = observed[:, start : start + 20]
    mixed = np.pad(mixed, ((0, 0), (6, 6)))[:, start : start + 32]
    wanted = mixed if channels == 1 else rotation(0.6, 0.8) @ mixed
    got = see_parts(observed, working, start, start + 20, 6, 0.6, 0.8)
    np.testing.assert_allclose(got, wanted, atol=1e-15)


def seen_whole(parts: Floats, fade: Floats) -> Floats:
    """The surroundings of a span of ``SPAN`` frames by the weights of the context; silence in it."""
    weights = np.r_[fade[ORDER:0:-1], np.zeros(SPAN), fade[1 : ORDER + 1]]
    return np.asarray(parts * weights)


def test_the_surroundings_are_faded_and_mirrored() -> None:
    parts, fade = numbers(6, 2, 2 * ORDER + SPAN), half_window(2 * ORDER)
    around, mirror = fade_parts(parts, fade, ORDER)
    np.testing.assert_array_equal(around, seen_whole(parts, fade))
    np.testing.assert_array_equal(mirror, around[:, ::-1])
    wave = numbers(7, SPAN)
    fill_in(parts[0], wave, 0.7, around[0])
    np.testing.assert_allclose(around[0, ORDER:-ORDER], parts[0, ORDER:-ORDER] - 0.7 * wave)
    np.testing.assert_array_equal(around[0, :ORDER], mirror[0, : -ORDER - 1 : -1])


def test_a_part_s_model_comes_from_context_and_estimate() -> None:
    parts, fade = numbers(6, 1, 2 * ORDER + SPAN), half_window(2 * ORDER)
    wave, (dense, rows), gain, share = numbers(7, SPAN), covariance(8), 0.7, 50.0
    fixed = 40.0 * correlation(numbers(9, 500)) / 500.0
    around, mirror = fade_parts(parts, fade, ORDER)
    outside = seen_whole(parts, fade)[0]
    whole = outside.copy()
    whole[ORDER : ORDER + SPAN] = parts[0, ORDER : ORDER + SPAN] - gain * wave
    wanted = fixed + correlation(whole) - correlation(outside)
    wanted += gain**2 * np.array([np.trace(dense, k) for k in range(ORDER + 1)])
    unsure = np.empty(ORDER + 1)
    fill_in(parts[0], wave, gain, around[0])
    sum_spread(rows, unsure)
    model, power = predictor(wanted)
    taps, scratch = np.empty(ORDER + 1), np.empty((3, 2 * ORDER + 2))
    got = learn_part(around[0], mirror[0], fixed, share, unsure, gain, taps, scratch)
    np.testing.assert_allclose(taps, correlation(model), rtol=1e-7)
    assert got == pytest.approx(power / (share + SPAN), rel=1e-7)


def test_the_pull_is_the_two_sided_error() -> None:
    part, taps, pull = numbers(10, SPAN + 2 * ORDER), numbers(11, ORDER + 1), np.empty(SPAN)
    pull_of(part, taps, 0.37, pull, np.empty(2 * ORDER + 2))
    whole = np.convolve(part, np.r_[taps[:0:-1], taps], "same") / 0.37
    np.testing.assert_allclose(pull, whole[ORDER : ORDER + SPAN], atol=1e-12)


def test_the_covariances_are_summed_by_how_far_the_frames_lie_apart() -> None:
    (dense, rows), sums = covariance(8), np.empty(ORDER + 1)
    sum_spread(rows, sums)
    np.testing.assert_allclose(sums, [np.trace(dense, k) for k in range(ORDER + 1)], atol=1e-12)


def dense_taps(taps: Floats) -> Floats:
    return np.asarray(toeplitz(np.append(taps, np.zeros(SPAN - len(taps)))))


def test_the_likeliest_gains_are_those_of_least_squares() -> None:
    wave, (dense, rows) = numbers(12, SPAN), covariance(13)
    taps = np.stack([correlation(np.r_[1.0, -0.5 * numbers(seed, ORDER)]) for seed in (14, 15)])
    powers, pulls = np.array([0.3, 1.7]), 20.0 * numbers(16, 2, SPAN)
    parts = []
    for c in range(2):
        inverse = dense_taps(taps[c]) / powers[c]
        parts.append((wave @ pulls[c]) / (wave @ inverse @ wave + np.trace(inverse @ dense)))
    walls = rotation(0.6, 0.8).T @ parts
    walls /= np.abs(walls).max()
    walls[np.abs(walls) < LEAST_GAIN] = 0.0
    gains, rotated_gains, unsure = np.ones(2), np.ones(2), np.empty(ORDER + 1)
    sum_spread(rows, unsure)
    learn_gains(wave, unsure, pulls, taps, powers, 0.6, 0.8, gains, rotated_gains)
    np.testing.assert_allclose(gains, walls, rtol=1e-9)
    np.testing.assert_allclose(rotated_gains, rotation(0.6, 0.8) @ walls, rtol=1e-9, atol=1e-12)
    # crosstalk is no damage: of a pulse on one wall with a trace on the other, one wall is left alone
    parts_of = rotation(0.6, 0.8) @ [1.0, 0.5 * LEAST_GAIN]
    one = np.stack([part * dense_taps(taps[c]) @ wave / powers[c] for c, part in enumerate(parts_of)])
    learn_gains(wave, np.zeros(ORDER + 1), one, taps, powers, 0.6, 0.8, gains, rotated_gains)
    np.testing.assert_allclose(gains, [1.0, 0.0], atol=1e-9)


@pytest.mark.parametrize("weighed", [False, True])
def test_weighing_solves_the_dense_equation(weighed: bool) -> None:
    taps = np.stack([correlation(np.r_[1.0, -0.4 * numbers(seed, ORDER)]) for seed in (17, 18)])
    powers, gains, pulls = np.array([0.4, 1.1]), np.array([0.9, -0.3]), numbers(19, 2, SPAN)
    variance, colour = np.exp(numbers(20, SPAN)), np.array([1.0, -0.6, 0.2])
    matrix = sum(g**2 / s2 * dense_taps(row) for g, s2, row in zip(gains, powers, taps))
    matrix = matrix + np.diag(1e-9 * np.diag(matrix))
    if weighed:
        drive = sum(colour[k] * np.eye(SPAN, k=-k) for k in range(COLOUR + 1))
        matrix = matrix + drive.T @ np.diag(1.0 / variance) @ drive
    inverse, right = np.linalg.inv(matrix), gains @ pulls
    force, wave, band = np.empty(SPAN), np.empty(SPAN), np.empty((SPAN, ORDER + 1))
    spread = np.zeros((SPAN, 2 * ORDER + 1))
    weigh(pulls, taps, powers, gains, variance, colour, weighed, force, band, wave)
    invert_band(band, SPAN, ORDER, spread)
    np.testing.assert_allclose(force, right, atol=1e-12)
    np.testing.assert_allclose(wave, inverse @ right, rtol=1e-6, atol=1e-9)
    for k in range(ORDER + 1):
        np.testing.assert_allclose(spread[: SPAN - k, ORDER + k], np.diag(inverse, k), rtol=1e-5, atol=1e-8)


@pytest.mark.parametrize(("share", "settled"), [(0.5, True), (2.0, False)])
def test_a_span_has_settled_where_a_round_changes_less_than_is_unsure(share: float, settled: bool) -> None:
    wave, gains, (dense, _) = numbers(23, SPAN), np.array([1.0, -0.4]), covariance(24)
    step = numbers(25, 2, SPAN)
    unsure = float(np.trace(dense))
    step *= np.sqrt(share * SETTLED * np.sum(gains**2) * unsure / np.sum(step**2))
    assert has_settled(wave, gains, unsure, np.outer(gains, wave) - step) is settled


def test_rounds_end_once_nothing_changes_and_lose_nothing_by_it() -> None:
    observed = music(27, 600)
    observed[:, 300:330] += 9.0 * np.outer([1.0, -0.6], np.hanning(30))
    given = []
    for rounds in (60, 61):
        working, explained = observed.copy(), np.empty(1)
        estimate_spans(observed, working, np.array([[300, 330]]), 60, ORDER, rounds, 1, explained)
        given.append(working)
    # both ended long before their last round, so one more in reserve makes no difference at all
    np.testing.assert_array_equal(given[0], given[1])


@pytest.mark.parametrize("weighted", [False, True])
def test_the_colour_is_that_of_weighted_least_squares(weighted: bool) -> None:
    wave, (dense, rows), variance = numbers(21, SPAN), covariance(22), np.exp(numbers(23, SPAN))
    moments, weight = np.outer(wave, wave) + dense, 1.0 / variance if weighted else np.ones(SPAN)
    normal, right = np.zeros((2, 2)), np.zeros(2)
    for i in range(1, SPAN):
        reached = [i - 1, i - 2][: min(i, 2)]
        some = slice(0, len(reached))
        normal[some, some] += weight[i] * moments[np.ix_(reached, reached)]
        right[some] += weight[i] * moments[i, reached]
    normal += (0.01 + WHITE_FRAMES / SPAN) * 0.5 * np.trace(normal) * np.eye(2)
    colour = np.array([1.0, 0.0, 0.0])
    fit_colour(wave, rows, variance, weighted, colour)
    np.testing.assert_allclose(colour, [1.0, *-np.linalg.solve(normal, right)], rtol=1e-9)


@pytest.mark.parametrize("trip", [0, 3])
def test_the_pulse_s_variance_is_the_local_second_moment(trip: int) -> None:
    wave, (dense, rows), before = numbers(24, SPAN), covariance(25), np.exp(numbers(26, SPAN))
    colour, variance = np.array([1.0, 0.0, 0.0]), before.copy()
    learn_pulse(wave, rows, 4, trip, colour, variance)
    again = np.array([1.0, 0.0, 0.0])
    fit_colour(wave, rows, before, trip > 0, again)
    np.testing.assert_array_equal(colour, again)
    drive = sum(colour[k] * np.eye(SPAN, k=-k) for k in range(COLOUR + 1))
    doubt = np.diag(drive @ dense @ drive.T)
    moment = (drive @ wave) ** 2 + doubt
    for i in range(SPAN):
        near = slice(max(0, i - 4), i + 5)
        mean, unsure = moment[near].mean(), doubt[near].mean()
        if trip == 0:
            mean = max(mean - 2.0 * unsure, 0.1 * unsure)
        mean += 1e-6 * unsure + TINY
        if trip > 0:
            mean *= np.clip((mean / before[i]) ** HURRY, 0.25, 4.0)
        assert variance[i] == pytest.approx(mean, rel=1e-9)


def test_spans_are_estimated_one_after_the_other() -> None:
    observed = music(27, 600)
    spans = np.array([[150, 162], [300, 345], [360, 366]])
    for first, last in spans:
        observed[0, first:last] += 9.0 * np.hanning(last - first)
        observed[1, first:last] -= 5.0 * np.hanning(last - first)
    working, explained = observed.copy(), np.empty(3)
    estimate_spans(observed, working, spans, 60, ORDER, 4, 1, explained)
    plain = observed.copy()
    for (first, last), nats in zip(spans.tolist(), explained):
        gains = np.empty(2)
        guess_gains(observed, first, last, gains)
        smooth = min(8, max(2, (last - first) // 6))
        told = estimate_span(observed, plain, first, last, half_window(60), ORDER, 4, smooth, gains, True)
        assert nats == pytest.approx(told, rel=1e-9)
    np.testing.assert_allclose(working, plain, atol=1e-9)
    assert np.abs(working - observed)[:, 300:345].max() > 1.0


def test_rows_of_the_factor_are_those_of_cholesky() -> None:
    taps, band, rest = (
        correlation(np.r_[1.0, 0.4 * numbers(28, ORDER)]),
        np.empty((SPAN, ORDER + 1)),
        np.empty(ORDER + 2),
    )
    first_row(band, taps, rest)
    for i in range(1, SPAN):
        factor_row(band[i - 1], band[i], rest)
    matrix = dense_taps(taps)
    factor = np.linalg.cholesky(matrix + 1e-9 * taps[0] * np.eye(SPAN)).T
    for i in range(SPAN):
        for d in range(1, min(ORDER, SPAN - 1 - i) + 1):
            assert band[i, d] == pytest.approx(factor[i, i + d], abs=1e-9)
        assert band[i, 0] == pytest.approx(1.0 / factor[i, i], rel=1e-9)


def test_rows_of_the_factor_hold_for_music_that_is_foretold_nearly_whole() -> None:
    """Schur's recursion and Cholesky's sums agree where the matrix is hardest: a pure tone under a whisper of noise."""
    tone = np.sin(0.05 * np.arange(2000)) * np.hanning(2000) + 1e-4 * numbers(33, 2000)
    model, _ = predictor(correlation(tone, 32))
    taps, band, rest = correlation(model, 32), np.empty((150, 33)), np.empty(34)
    first_row(band, taps, rest)
    for i in range(1, 150):
        factor_row(band[i - 1], band[i], rest)
    matrix = np.asarray(toeplitz(np.append(taps, np.zeros(150 - 33))))
    factor = np.linalg.cholesky(matrix + 1e-9 * taps[0] * np.eye(150)).T
    np.testing.assert_allclose(1.0 / band[:, 0], np.diag(factor), rtol=1e-6)
    np.testing.assert_allclose(band[:-1, 1], np.diag(factor, 1), atol=1e-6 * np.abs(factor).max())


@pytest.mark.parametrize("channels", [1, 2])
def test_a_zone_is_seen_as_by_dense_algebra(channels: int) -> None:
    observed, working = music(29)[:channels], music(31)[:channels]
    start, stop, fade, gains = 200, 230, half_window(60), np.array([1.0, -0.4])
    force, taps = np.empty(30), np.empty(ORDER + 1)
    fit_zone(observed, working, start, stop, fade, ORDER, gains, force, taps)
    rows, models, powers = (
        np.empty((channels, ORDER + 1)),
        np.empty((channels, ORDER + 1)),
        np.empty(channels),
    )
    cosine, sine, share = split_music(working, start, stop, fade, ORDER, rows, models, powers)
    turn = rotation(cosine, sine)[:channels, :channels]
    seen = working.copy()
    seen[:, start:stop] = observed[:, start:stop]
    # what lies beyond the reach of the predictor is not looked at
    parts = turn @ seen[:, start - ORDER : stop + ORDER]
    wanted, row = np.zeros(30), np.zeros(ORDER + 1)
    for c, gain in enumerate(turn @ gains if channels == 2 else [1.0]):
        own = correlation(models[c])
        both = np.convolve(parts[c], np.r_[own[:0:-1], own], "same")[ORDER:-ORDER]
        wanted += gain * share / powers[c] * both
        row += gain**2 * share / powers[c] * own
    np.testing.assert_allclose(force, wanted, rtol=1e-9)
    np.testing.assert_allclose(taps, row, rtol=1e-9)
