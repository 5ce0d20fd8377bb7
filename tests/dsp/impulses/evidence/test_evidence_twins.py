"""Each kernel that collects evidence against its plain twin: the same sums by numpy, window by window."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.candidates import fit_predictors
from sidekeep.dsp.impulses.evidence.near import CORE, REACH, near_evidence
from sidekeep.dsp.impulses.evidence.rail import (
    PIECE,
    RAIL_LEAST,
    RAIL_ROOM,
    RAIL_SIDES,
    greatest,
    lies_on_the_rail,
    rail_of,
)
from sidekeep.dsp.impulses.evidence.repeats import (
    ALIKE,
    LONGEST_PERIOD,
    SHORTEST_PERIOD,
    TRAIN_MOST,
    UNEVEN,
    find_pulses,
    highest_near,
    most_alike,
    repeat_evidence,
    roughen,
    train_evidence,
)
from sidekeep.dsp.impulses.evidence.walls import wall_evidence

Floats = NDArray[np.float64]
LENGTH, ORDER, HOP = 6000, 16, 1024
SCALE = 0.01
PLACES = [(3000, 2998, 3006), (700, 690, 720), (5300, 5299, 5301)]
"""Peak, first and last + 1: in the middle of the sound and near both of its ends."""


class Sound:
    """Noise with planted pulses, its errors through one predictor, and a second wall that shares some of it."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.own = np.convolve(SCALE * rng.standard_normal(LENGTH), [1.0, 0.7, 0.2], "same")
        self.other = 0.8 * self.own + 0.4 * SCALE * rng.standard_normal(LENGTH)
        for at in (690, 700, 1500, 2400, 3000, 3290, 3580, 3870, 5300):
            self.own[at : at + 3] += rng.uniform(0.06, 0.15) * np.array([1.0, -0.8, 0.3])
        models = np.empty((LENGTH // HOP, ORDER + 1))
        fit_predictors(self.own, HOP, ORDER, np.ones(len(models), dtype=bool), models)
        self.model = models[2]
        # the errors are those of this predictor everywhere: simpler than a take, and all the kernels ask for
        padded = np.concatenate([np.zeros(ORDER), self.own, np.zeros(ORDER)])
        self.error = np.convolve(padded, self.model)[ORDER:][:LENGTH]
        self.back = np.convolve(padded, self.model[::-1])[2 * ORDER :][:LENGTH]
        self.both = np.convolve(self.error, self.model[::-1])[ORDER:][:LENGTH] / np.linalg.norm(self.model)


@pytest.fixture(scope="module")
def sound() -> Sound:
    return Sound(1)


@pytest.mark.parametrize("factor", [1, 2])
@pytest.mark.parametrize(("peak", "first", "last"), PLACES)
def test_near_evidence(sound: Sound, peak: int, first: int, last: int, factor: int) -> None:
    got = np.empty(12)
    given = (sound.own, sound.error, sound.both, SCALE, sound.model, peak, first, last, factor, 7.5)
    near_evidence(*given, got)
    reach, core, step = REACH * factor, CORE * factor, 32 * factor
    z, ahead, back = (
        max(1e-3, np.abs(error[first:last]).max() / SCALE) for error in (sound.both, sound.error, sound.back)
    )
    rivals = []
    for begins in (range(first - step, -1, -step), range(last, LENGTH - step + 1, step)):
        tops = sorted(np.abs(sound.both[at : at + step]).max() for at in list(begins)[: 2 * reach // step])
        rivals.append(np.log(max([0.0, 0.0, 0.0, *tops][-3], 0.1 * SCALE) / (SCALE * z)))
    powers = sound.both**2
    left = np.minimum(powers[max(0, first - reach // 2) : first], 16.0 * SCALE**2).sum()
    right = np.minimum(powers[last : last + reach // 2], 16.0 * SCALE**2).sum()
    around = np.arange(max(2, ORDER, peak - reach), min(LENGTH, peak + reach + 1))
    bend = (sound.own[around] - 2.0 * sound.own[around - 1] + sound.own[around - 2]) ** 2
    inside = np.abs(around - peak) <= core
    smooth = np.minimum(bend[~inside], 1e3 * SCALE**2).mean()
    near = np.r_[max(0, first - 2 * reach) : first, last : min(LENGTH, last + 2 * reach)]
    crowd = (np.abs(sound.both[near]) > 4.0 * SCALE).sum()
    wanted = [
        np.log(z),
        np.log(ahead / z),
        np.log(back / z),
        *rivals,
        0.5 * np.log((right + 1e-3 * left) / (left + 1e-3 * right)),
        0.5 * np.log(bend[inside].max() / smooth),
        np.log((last - first) / factor),
        np.log(np.linalg.norm(sound.model)),
        np.log(SCALE),
        np.log(1.0 + crowd / factor),
        np.log(7.5),
    ]
    np.testing.assert_allclose(got, wanted, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("factor", [1, 2])
@pytest.mark.parametrize("peak", [place[0] for place in PLACES])
def test_wall_evidence(sound: Sound, peak: int, factor: int) -> None:
    got = np.empty(3)
    wall_evidence(sound.own, sound.other, sound.error, SCALE, sound.model, peak, factor, 2.5, got)
    around = np.arange(max(ORDER, peak - REACH * factor), min(LENGTH, peak + REACH * factor + 1))
    a = sound.error[around]
    b = np.array([sound.model @ sound.other[n - ORDER : n + 1][::-1] for n in around])
    core = np.abs(around - peak) <= CORE * factor
    weight = np.where(core, 0.0, 1.0 / (1.0 + (a**2 + b**2) / (16.0 * SCALE**2)))
    xy, xx, yy = (weight * a * b).sum(), (weight * a * a).sum(), (weight * b * b).sum()
    rest = np.sqrt(max(1e-4, 1.0 - xy**2 / (xx * yy)))
    most = np.abs(a - xy / yy * b)[core].max()
    inside = (a[core], b[core])
    wanted = [
        np.log(most / (SCALE * rest)),
        inside[0] @ inside[1] / (np.linalg.norm(inside[0]) * np.linalg.norm(inside[1])),
        np.log(np.linalg.norm(inside[1]) / np.linalg.norm(inside[0])),
    ]
    np.testing.assert_allclose(got, wanted, rtol=1e-9, atol=1e-9)
    # a take of one channel has nothing to say
    wall_evidence(sound.own, np.empty(0), sound.error, SCALE, sound.model, peak, factor, 2.5, got)
    assert got.tolist() == [2.5, 0.0, 0.0]


def test_the_most_alike_is_the_best_of_all_periods() -> None:
    rng = np.random.default_rng(3)
    for drop in (0.0, 0.5, 4.0):  # with the last all is under 0
        near = (rng.standard_normal((2, 128)) - drop).astype(np.float32)
        a, b = near[:, 5:64]
        c, d = near[:, 10:128:2]
        wanted = np.minimum(a, b).max(), np.maximum(np.minimum(a, c), np.minimum(b, d)).max()
        assert most_alike(near, 5, 64) == tuple(max(0.0, float(value)) for value in wanted)


def plain_train(error: Floats, begin: int, end: int, factor: int) -> float:
    at = begin + int(np.argmax(np.abs(error[begin:end])))
    upright = error * np.sign(error[at])
    least, limit = ALIKE * upright[at], 2 * LONGEST_PERIOD * factor
    core = CORE * factor
    sides: list[list[int]] = []
    reached: list[int] = []
    for sense in (-1, 1):
        line = upright[at::-1] if sense < 0 else upright[at:]
        places: list[int] = []
        away = core
        while len(places) < TRAIN_MOST and away <= limit and away < len(line):
            if line[away] >= least:
                places.append(away + int(np.argmax(line[away : away + core])))
                away = min(away + core, len(line))
            else:
                away += 1
        sides.append(places)
        reached.append(min(away, limit))
    pulses = len(sides[0]) + len(sides[1])
    if pulses < 2:
        return 0.0
    rate, best = pulses / sum(reached), 0.0
    for side, places in enumerate(sides):
        for period in places:
            if not SHORTEST_PERIOD * factor <= period <= LONGEST_PERIOD * factor:
                continue
            nats = 0.0
            for way in range(2):
                for times in range(1, 5):
                    wide = UNEVEN * times * period + factor
                    if (way == side and times == 1) or times * period + wide > reached[way]:
                        continue
                    is_hit = any(abs(place - times * period) <= wide for place in sides[way])
                    chance = 1.0 - np.exp(-rate * (2.0 * wide + 1.0))
                    nats += np.log(0.8 / chance) if is_hit else np.log(0.2 / (1.0 - chance))
            best = max(best, nats)
    return min(12.0, best)


@pytest.mark.parametrize("factor", [1, 2])
@pytest.mark.parametrize("peak", [690, 1500, 2400, 3000, 3580, 5300])
def test_train_evidence(sound: Sound, peak: int, factor: int) -> None:
    begin, end = peak - CORE * factor, peak + CORE * factor + 1
    got = train_evidence(sound.error, begin, end, factor)
    assert got == pytest.approx(plain_train(sound.error, begin, end, factor), rel=1e-9, abs=1e-12)
    if (peak, factor) == (3580, 1):
        assert got > 2.0, "four pulses at an even pace"


@pytest.mark.parametrize("apart", [9, 14, 40, 230])
def test_trains_of_every_density(apart: int) -> None:
    rng = np.random.default_rng(apart)
    for _ in range(8):
        error = 0.05 * rng.standard_normal(LENGTH)
        error[np.cumsum(rng.integers(apart // 2 + 1, 2 * apart, LENGTH))[: LENGTH // (2 * apart)]] = 1.0
        pulses = np.flatnonzero(error == 1.0)
        at = int(pulses[len(pulses) // 2])
        got = train_evidence(error, at - CORE, at + CORE + 1, 1)
        assert got == pytest.approx(plain_train(error, at - CORE, at + CORE + 1, 1), rel=1e-9, abs=1e-9)


def test_errors_in_single_precision_are_there_round_every_peak() -> None:
    error, rough, until = (
        np.random.default_rng(4).standard_normal(30_000),
        np.full(30_000, np.nan, np.float32),
        0,
    )
    for peak in (3, 2000, 2100, 12_000, 13_000, 29_990):
        until = roughen(error, until, peak, 1, rough)
        near = slice(max(0, peak - 2016), min(30_000, peak + 2016))
        assert np.array_equal(rough[near], error[near].astype(np.float32))
        assert until == near.stop
    assert np.isnan(rough[4200:9900]).all()  # where nobody looks nothing is done


def test_the_highest_of_three_neighbours() -> None:
    values = np.random.default_rng(3).standard_normal(37).astype(np.float32)
    out = np.full((2, 18), np.nan, np.float32)
    highest_near(values, out)
    highest = np.max([values[:-2], values[1:-1], values[2:]], axis=0)
    wanted = np.stack([highest[17:], highest[17::-1]])
    np.testing.assert_array_equal(np.maximum(out, 0.0), np.maximum(wanted, 0.0))
    np.testing.assert_array_equal(out < 0.0, wanted < 0.0)
    assert wanted.min() < 0.0 < wanted.max()


def test_pulses_are_found_outwards() -> None:
    rng = np.random.default_rng(7)
    for step in (-1, 1):
        for seed in range(6):
            error = rng.standard_normal(500)
            places, within = np.zeros(8 + 4 * seed, np.int64), np.zeros(201, np.uint8)
            count, reached = find_pulses(error, 250, step, -1.0, 1.2 + 0.2 * seed, 8, places, within)
            line, wanted, away = -error[250::step], [], 8
            while len(wanted) < len(places) and away <= 200:
                if line[away] >= 1.2 + 0.2 * seed:
                    wanted.append(away + int(np.argmax(line[away : away + 8])))
                    away += 8
                else:
                    away += 1
            assert (count, reached) == (len(wanted), min(away, 200))
            assert places[:count].tolist() == wanted
            assert within[: reached + 1].tolist() == [
                sum(one <= d for one in wanted) for d in range(reached + 1)
            ]


@pytest.mark.parametrize("peak", [3000, 3290, 2400, 700])
def test_repeat_evidence(sound: Sound, peak: int) -> None:
    got = np.empty(3)
    repeat_evidence(sound.error, sound.error.astype(np.float32), ORDER, peak, 1, got)
    begin, end = peak - CORE, peak + CORE + 1
    pulse, longest = sound.error[begin:end], LONGEST_PERIOD
    twice = again = 0.0
    if begin - 2 * longest >= 0 and end + 2 * longest <= LENGTH:

        def alike(lag: int) -> float:
            """The most that the sound a lag away, a frame more or less, holds of the pulse."""
            return max(
                float(pulse @ sound.error[begin + way : end + way]) / float(pulse @ pulse)
                for way in (lag - 1, lag, lag + 1)
            )

        for lag in range(SHORTEST_PERIOD + 1, longest):
            one, other = alike(lag), alike(-lag)
            twice = max(twice, min(one, other))
            again = max(again, min(one, alike(2 * lag)), min(other, alike(-2 * lag)))
    # the pulses are compared in single precision
    np.testing.assert_allclose(got[:2], [min(2.0, twice), min(2.0, again)], rtol=1e-5, atol=1e-7)
    assert got[2] == pytest.approx(plain_train(sound.error, begin, end, 1), rel=1e-9, abs=1e-12)
    if peak == 3290:
        assert got[0] > 0.3


def test_the_greatest_level_is_that_of_either_sign() -> None:
    values = np.random.default_rng(5).standard_normal(2 * PIECE + 37)
    most = float(np.abs(values).max())
    assert greatest(values, np.inf) == greatest(-values, np.inf) == greatest(values, most) == most
    assert greatest(np.zeros(3), 0.0) == 0.0


def test_where_one_level_is_enough_what_comes_after_is_not_looked_at() -> None:
    values = np.full(3 * PIECE, 0.1)
    values[[5, PIECE + 5, 2 * PIECE + 5]] = 0.2, -0.6, 0.9
    assert [greatest(values, enough) for enough in (0.1, 0.3, 0.7)] == [0.2, 0.6, 0.9]


def test_the_rail_is_known_wherever_a_span_that_counts_may_lie_on_it() -> None:
    values = np.full(3 * PIECE, 0.1)
    values[[5, PIECE + 5, 2 * PIECE + 5]] = 0.2, -0.6, 0.9
    spans = np.array([[0, 9, 5], [PIECE, PIECE + 9, PIECE + 5], [2 * PIECE, 2 * PIECE + 9, 2 * PIECE + 5]])
    for odds, wanted in (([-9, -9, -9], 0.2), ([0, -9, -9], 0.6), ([0, 0, -9], 0.9), ([-9, 0, 0], 0.9)):
        assert rail_of(values, spans, np.array(odds, np.float64), -5.0) == wanted


def test_a_crest_on_the_rail_is_that_of_the_plain_comparison() -> None:
    rng = np.random.default_rng(2)
    answers = []
    for _ in range(300):
        own = np.clip(
            0.65 * np.sin(np.arange(60) / rng.uniform(4.0, 20.0) + rng.uniform(0.0, 6.0)), -0.5, 0.5
        )
        own[20:30] += rng.choice([0.0, 0.3]) * rng.standard_normal(10)
        first, last = int(rng.integers(0, 30)), int(rng.integers(31, 60))
        at_rail = "".join("x" if abs(value) >= (1.0 - RAIL_ROOM) * 0.5 else "." for value in own[first:last])
        longest = max(at_rail.split("."), key=len)
        is_crest = first >= 4 and last + 4 <= 60 and len(longest) >= RAIL_LEAST
        if is_crest:
            sign = np.sign(own[first + at_rail.index(longest)])
            beside = sign * np.array([own[first - 4 : first].mean(), own[last : last + 4].mean()])
            is_crest = bool(beside.min() >= RAIL_SIDES * 0.5)
        assert lies_on_the_rail(own, first, last, 0.5) == is_crest
        answers.append(is_crest)
    assert 5 < sum(answers) < 290
