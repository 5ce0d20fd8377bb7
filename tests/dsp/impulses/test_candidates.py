"""Errors, scale and candidates against plain twins; evidence against signals made to show one thing each."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.candidates import (
    CELL,
    CELLS,
    GUARD,
    QUIET,
    backward_error,
    calm_share,
    find_errors,
    find_scale,
    find_tests,
    fit_predictors,
)
from sidekeep.dsp.impulses.evidence import (
    CHANGE,
    CHANGE_ORDER,
    EVIDENCE,
    change_evidence,
    collect_far_evidence,
    collect_near_evidence,
    lies_on_the_rail,
)
from sidekeep.dsp.impulses.mending import (
    DUE_LIMIT,
    PRIOR_UP,
    Channel,
    Manner,
    due_bonus,
    mend_channels,
    share_shift,
)

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
    scale = np.empty(len(error) // CELL)
    find_scale(error, scale)
    mean = np.abs(error).reshape(-1, CELL).mean(axis=1) / 0.7979
    for c in (60, 100, 124, 130, 180):
        behind = np.sort(mean[max(0, c - GUARD - CELLS + 1) : c - GUARD + 1])
        ahead = np.sort(mean[c + GUARD : c + GUARD + CELLS])
        wanted = max(QUIET, behind[len(behind) // 2], ahead[len(ahead) // 2])
        np.testing.assert_allclose(scale[c], wanted)
    # a lone click does not move it
    error[1000] += 5.0
    again = np.empty_like(scale)
    find_scale(error, again)
    assert abs(again[1000 // CELL] / scale[1000 // CELL] - 1.0) < 0.2


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


def evidence_of(own: Floats, other: Floats, at: int) -> dict[str, float]:
    """The evidence for the candidate nearest to a frame."""
    channel = Channel(own, 1)
    channel.look(4.6)
    row = int(np.argmin(np.abs(channel.spans[:, 2] - at)))
    first, last, peak = (int(v) for v in channel.spans[row])
    assert abs(peak - at) < 400
    model = channel.models[peak // channel.hop]
    out = np.empty(len(EVIDENCE))
    scale = float(channel.scale[peak // CELL])
    gain, test = float(model @ model), float(channel.tests[row])
    collect_near_evidence(own, *channel.errors, scale, model, gain, peak, first, last, 1, test, out)
    collect_far_evidence(own, other, channel.errors[0], scale, model, peak, first, last, 1, out)
    return dict(zip(EVIDENCE, out.tolist(), strict=True))


def test_evidence_tells_a_tone_a_wall_and_an_onset_apart() -> None:
    at = 8000
    lone, buzz, burst = noise(4), noise(4), noise(4)
    lone[at] += 0.2
    buzz[at % 311 :: 311] += 0.12
    burst[at:12_000] *= 12.0
    burst[at] += 1.5
    silent = np.empty(0)
    assert evidence_of(lone, silent, at)["repeats"] < 0.5
    assert evidence_of(buzz, silent, at)["repeats"] > 0.8
    assert evidence_of(lone, silent, at)["rivals_before"] < -1.0
    assert evidence_of(burst, silent, at)["onset"] > evidence_of(lone, silent, at)["onset"] + 0.3
    other = noise(5)
    assert evidence_of(lone, other, at)["partner"] < -1.0
    other[at] -= 0.2
    got = evidence_of(lone, other, at)
    assert got["likeness"] < -0.8
    assert abs(got["partner"]) < 0.3
    # the same pulse where the channels always agree is the music's
    shared = noise(6)
    shared[at] += 0.2
    same = evidence_of(shared + 0.1 * noise(7), shared + 0.1 * noise(8), at)
    assert same["conditional"] < same["peak"] - 0.5


def test_an_uneven_train_of_pulses_is_told_from_crackle() -> None:
    rng = np.random.default_rng(14)
    silent = np.empty(0)
    even, crackle = noise(15), noise(15)
    at = 8000
    for step in range(-20, 21):
        for x, place in (
            (even, at + 260 * step + rng.integers(-4, 5)),
            (crackle, rng.integers(3000, 13_000)),
        ):
            x[place : place + 3] += 0.15 * np.array([1.0, *rng.normal(size=2)])
    lone = noise(15)
    lone[at] += 0.15
    crackle[at] += 0.15
    assert evidence_of(lone, silent, at)["train"] == 0.0
    assert evidence_of(even, silent, at)["train"] > 5.0
    assert evidence_of(crackle, silent, at)["train"] < 4.0


def test_the_share_of_damage_moves_the_odds_both_ways() -> None:
    assert share_shift(np.full(200, -6.0)) < -1.0
    assert share_shift(np.full(200, 6.0)) == PRIOR_UP
    assert share_shift(np.empty(0)) == 0.0


def test_mended_planes_differ_only_in_the_spans() -> None:
    planes = np.stack([noise(9, 30_000), noise(10, 30_000)])
    planes[0, 9000:9003] += [0.3, -0.25, 0.1]
    planes[1, 20_000:20_004] += [0.2, -0.3, 0.2, -0.1]
    manner = Manner(open_at=4.6, odds=0.0)
    repaired, _ = mend_channels(planes, 1, 44_100, manner, [], None, 0, 30_000)
    found = {(r.channel, r.start <= at < r.start + r.length) for r in repaired for at in (9001, 20_001)}
    assert (0, True) in found
    assert (1, True) in found
    for r in repaired:
        assert r.values is not None
        assert len(r.values) == r.length


def test_what_is_due_is_worth_nats_in_its_window_on_its_wall() -> None:
    spans = np.array([[90, 110, 100], [190, 210, 200], [195, 220, 205], [290, 310, 300]])
    due = [(201.0, 4.5, -1.0, 1), (203.0, 2.5, -3.0, 3), (300.0, 1.0, -9.0, 3)]
    plain = np.zeros(4)
    for frame, wide, odds, walls in due:
        for row, peak in enumerate(spans[:, 2]):
            if walls & 1 and abs(peak - frame) <= wide:
                plain[row] = max(plain[row], min(DUE_LIMIT, max(0.0, odds + DUE_LIMIT)))
    assert due_bonus(spans, due, 0).tolist() == plain.tolist() == [0.0, 4.0, 4.0, 0.0]
    assert due_bonus(spans, due, 1).tolist() == [0.0, 0.0, 2.0, 0.0]
    assert due_bonus(spans, [], 0).tolist() == [0.0] * 4


def test_a_crest_cut_off_is_told_from_a_pulse_that_reaches_the_rail() -> None:
    crest = 0.6 * np.sin(2.0 * np.pi * np.arange(2000) / 400.0)
    cut = np.clip(crest, -0.5, 0.5)
    flat = np.flatnonzero(cut == 0.5)
    first, last = int(flat[0]), int(flat[0]) + 12
    assert lies_on_the_rail(cut, first, last, 0.5)
    pulse = 0.1 * np.sin(2.0 * np.pi * np.arange(2000) / 400.0)
    pulse[1000:1006] = 0.5
    assert not lies_on_the_rail(pulse, 998, 1010, 0.5)
    dent = crest.copy()
    dent[100:103] -= 0.3
    assert not lies_on_the_rail(dent, 100, 103, 0.6)


def test_the_calm_share_is_that_of_the_plain_means() -> None:
    rng = np.random.default_rng(21)
    error = rng.standard_normal(40 * CELL) * np.repeat(rng.uniform(0.5, 20.0, 40), CELL)
    scale, peaks, reach = rng.uniform(0.5, 3.0, 40), np.array([3, 200, 330, 639]), 7
    plain = []
    for peak in peaks:
        here = peak // CELL
        cells = range(max(0, here - reach), min(40, here + reach))
        means = np.array([np.mean(np.abs(error[c * CELL : (c + 1) * CELL])) / 0.7979 for c in cells])
        power = np.mean(np.minimum(means, 8.0 * scale[list(cells)]) ** 2)
        plain.append(float(np.clip(scale[here] ** 2 / power, 0.01, 1.0)))
    np.testing.assert_allclose(calm_share(error, scale, peaks, reach, 0.01), plain, rtol=1e-12)
    assert min(plain) == 0.01 < max(plain)


def test_the_change_of_sound_is_that_of_plain_predictors() -> None:
    rng = np.random.default_rng(22)
    same = rng.standard_normal(4000)
    other = same.copy()
    other[2000:] = np.convolve(same, [1.0, 0.9, 0.4], "same")[2000:]

    def power(r: Floats) -> float:
        toeplitz = r[np.abs(np.subtract.outer(np.arange(CHANGE_ORDER), np.arange(CHANGE_ORDER)))]
        return float(r[0] - r[1:] @ np.linalg.solve(toeplitz, r[1:]))

    for x in (same, other):
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(CHANGE) + 0.5) / CHANGE)
        pieces = [x[low : low + CHANGE] * window for low in (1990 - 1 - CHANGE, 2010 + 4)]
        r = [np.correlate(p, p, "full")[CHANGE - 1 :][: CHANGE_ORDER + 1] for p in pieces]
        plain = np.log(power(0.5 * (r[0] + r[1]))) - 0.5 * (np.log(power(r[0])) + np.log(power(r[1])))
        assert change_evidence(x, 1990, 2010, 1) == pytest.approx(plain, abs=1e-5)
    assert change_evidence(other, 1990, 2010, 1) > change_evidence(same, 1990, 2010, 1) + 0.1
