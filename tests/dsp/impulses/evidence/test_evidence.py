"""Evidence against signals made to show one thing each, and against plain twins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from sidekeep.dsp.impulses.channel import Channel
from sidekeep.dsp.impulses.evidence.collect import (
    ALL,
    EDGES_ODDS,
    EVIDENCE,
    NEAR_EVIDENCE,
    SCREEN_ODDS,
)
from sidekeep.dsp.impulses.evidence.network import weigh_evidence
from sidekeep.dsp.impulses.evidence.rail import lies_on_the_rail
from sidekeep.dsp.impulses.evidence.repeats import (
    EVEN_APART,
    EVEN_LEAST,
    EVEN_LIKE,
    EVEN_REACH,
    evenness_evidence,
)
from sidekeep.dsp.impulses.evidence.seam import (
    CHANGE,
    CHANGE_ORDER,
    SEAM,
    SEAM_ORDER,
    SEAM_ROOM,
    change_evidence,
    change_window,
    fit_exactly,
    seam_evidence,
)
from sidekeep.dsp.impulses.evidence.weights import fitted_weights

Floats = NDArray[np.float64]


def noise(seed: int, length: int = 16_384) -> Floats:
    """White, 1 % of full scale."""
    return 0.01 * np.random.default_rng(seed).standard_normal(length)


def evidence_of(own: Floats, other: Floats, at: int) -> dict[str, float]:
    """The evidence for the candidate nearest to a frame."""
    channel = Channel(own, 1)
    channel.look(4.6)
    row = int(np.argmin(np.abs(channel.spans[:, 2] - at)))
    assert abs(int(channel.spans[row, 2]) - at) < 400
    out = channel.collect(other, ALL)[row]
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
    assert got["correlation"] < -0.8
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
        np.testing.assert_allclose(change_window(1), window, atol=1e-15)
        assert change_evidence(x, 1990, 2010, 1, window) == pytest.approx(plain, abs=1e-5)
    assert change_evidence(other, 1990, 2010, 1, window) > change_evidence(same, 1990, 2010, 1, window) + 0.1


def test_the_rest_is_asked_only_where_the_screen_lets_a_candidate_pass() -> None:
    own = noise(31)
    own[8000] += 0.2
    channel = Channel(own, 1)
    channel.look(3.0)
    whole = channel.collect(noise(32), ALL)
    screened = channel.collect(noise(32))
    near = len(NEAR_EVIDENCE)
    np.testing.assert_array_equal(screened[:, :near], whole[:, :near])
    passed = channel.odds > SCREEN_ODDS
    assert passed.any()
    assert not passed.all()
    # Sums may be taken in another order where a kernel stands alone and where it is part of another.
    np.testing.assert_allclose(screened[passed], whole[passed], rtol=1e-12, atol=1e-12)
    assert not screened[~passed, near:].any()


def test_the_second_judge_is_asked_what_the_first_lets_pass() -> None:
    own = noise(41)
    own[np.arange(900, 15_000, 700)] += 0.1
    channel, other = Channel(own, 1), noise(42)
    channel.look(3.0)
    evidence, weights = channel.collect(other), fitted_weights()
    first = np.array([weigh_evidence(row, weights.stereo) for row in evidence])
    second = np.array([weigh_evidence(row, weights.stereo_edges) for row in evidence])
    passed = channel.odds > SCREEN_ODDS
    asked = passed & (first > EDGES_ODDS)
    screened = channel.odds.copy()
    channel.judge(other)
    assert asked.any()
    np.testing.assert_allclose(channel.odds, np.where(passed, first, screened), atol=1e-9)
    np.testing.assert_allclose(channel.doubts, np.where(asked, second, np.inf), atol=1e-9)


def test_the_exact_predictor_is_that_of_least_squares() -> None:
    x = lfilter([1.0], [1.0, -1.6, 0.9], noise(33, 400))
    model = np.empty(SEAM_ORDER + 1)
    power = fit_exactly(x, SEAM_ORDER, model)
    rows = np.lib.stride_tricks.sliding_window_view(x, SEAM_ORDER + 1)[:, ::-1]
    wanted, left, _, _ = np.linalg.lstsq(rows[:, 1:], rows[:, 0], rcond=None)
    np.testing.assert_allclose(-model[1:], wanted, atol=1e-5)
    assert power == pytest.approx(float(left[0]) / len(rows), rel=1e-5)


def ring(at: int, length: int) -> Floats:
    """A struck resonance that dies out."""
    t = np.arange(length - at)
    out = np.zeros(length)
    out[at:] = np.exp(-t / 300.0) * np.sin(0.31 * t + 1.0)
    return out


def plain_seam(x: Floats, first: int, last: int) -> tuple[float, float]:
    low, high = first - SEAM_ROOM, last + SEAM_ROOM
    errors = []
    for sound, middle in (
        (x[low - SEAM : low], x[low - SEAM_ORDER : high]),
        (x[high : high + SEAM][::-1], x[low : high + SEAM_ORDER][::-1]),
    ):
        rows = np.lib.stride_tricks.sliding_window_view(sound, SEAM_ORDER + 1)[:, ::-1]
        model = np.concatenate([[1.0], -np.linalg.lstsq(rows[:, 1:], rows[:, 0], rcond=None)[0]])
        errors.append(np.abs(np.convolve(middle, model, "valid")) / np.sqrt(np.mean((rows @ model) ** 2)))
    ahead = np.concatenate([[0.0], np.maximum.accumulate(errors[0])])
    back = np.concatenate([np.maximum.accumulate(errors[1])[::-1], [0.0]])
    rest = np.maximum(ahead, back).min()
    return float(np.log(rest / min(ahead[-1], back[0]))), float(np.log(rest))


def test_a_seam_is_told_from_damage() -> None:
    t = np.arange(4000)
    tone = 0.3 * np.sin(0.05 * t)
    damaged, struck, cut = (tone + 0.03 * noise(34, 4000) for _ in range(3))
    damaged[2000:2003] += [0.2, -0.15, 0.05]
    struck += 0.5 * ring(2000, 4000)
    cut[2000:] = 0.25 * np.sin(0.083 * t[2000:] + 2.0) + 0.03 * noise(35, 2000)
    got = {}
    for name, x in (("damaged", damaged), ("struck", struck), ("cut", cut)):
        out = np.empty(2)
        seam_evidence(x, 1996, 2008, 1, out)
        np.testing.assert_allclose(out, plain_seam(x, 1996, 2008), atol=0.02)
        got[name] = out[0]
    assert got["damaged"] > -0.5
    assert got["struck"] < -2.0
    assert got["cut"] < -2.0


def test_an_even_pace_is_told_from_chance_as_the_gamma_distribution_tells_it() -> None:
    from scipy import stats  # slow to load, and every worker reads this file

    rng = np.random.default_rng(36)
    pace = 10_000 + np.cumsum(rng.normal(1500.0, 150.0, 24)).astype(int)
    chance = 10_000 + np.cumsum(np.maximum(EVEN_APART, rng.exponential(1500.0, 24))).astype(int)
    likelihoods = []
    for peaks in (pace, chance):
        spans = np.stack([peaks - 2, peaks + 3, peaks], axis=1)
        row = 10
        near = peaks[np.abs(peaks - peaks[row]) <= EVEN_REACH]
        intervals = np.diff(near).astype(float)
        shape, _, scale = stats.gamma.fit(intervals, floc=0.0)
        nats = (
            stats.gamma.logpdf(intervals, shape, 0.0, scale).sum()
            - stats.expon.logpdf(intervals, 0.0, intervals.mean()).sum()
        )
        got = evenness_evidence(spans, np.full(len(peaks), 9.0), row, 1)
        # the shape is an approximation, near enough to the likeliest
        assert got == pytest.approx(math.log1p(max(0.0, nats) if shape > 1.0 else 0.0), abs=0.02)
        likelihoods.append(got)
    assert likelihoods[0] > likelihoods[1] + 1.5
    # the large and the small among them are of another kind
    sizes = np.where(np.arange(24) % 2 == 0, 9.0, 9.0 / EVEN_LIKE**1.5)
    spans = np.stack([pace - 2, pace + 3, pace], axis=1)
    assert evenness_evidence(spans, sizes, 10, 1) == pytest.approx(
        evenness_evidence(spans[::2].copy(), sizes[::2].copy(), 5, 1)
    )
    assert evenness_evidence(spans[:EVEN_LEAST].copy(), sizes[:EVEN_LEAST], 1, 1) == 0.0


def test_the_names_are_those_of_the_rooms_files_once_each() -> None:
    assert len(set(EVIDENCE)) == len(EVIDENCE)
    assert EVIDENCE[: len(NEAR_EVIDENCE)] == NEAR_EVIDENCE
