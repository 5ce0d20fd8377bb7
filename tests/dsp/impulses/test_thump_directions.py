"""One tail in both parts at once, by one kernel, against dense linear algebra of numpy and scipy (reference libraries)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_t

from sidekeep.dsp.impulses.thump_directions import DIRECTIONS, ask_directions, weigh_together
from sidekeep.dsp.impulses.thump_evidence import SIZES, Seen
from sidekeep.dsp.impulses.thump_sizes import WORTH, likelihood

Floats = NDArray[np.float64]
COMPONENTS, ROWS = 4, 40
VARIANCE = 0.5 ** np.arange(COMPONENTS)


def whitened(seed: int, tail: Floats, gain: float, level: float) -> tuple[Floats, Floats]:
    """The basis through a model of the music (columns), and a series of noise with a tail in it."""
    rng = np.random.default_rng(seed)
    t = np.arange(ROWS)
    design = np.stack(
        [np.exp(-t / 9.0) * np.sin((0.2 + 0.1 * k) * t + 0.3 * seed) for k in range(COMPONENTS)], axis=1
    )
    return design, level * rng.standard_normal(ROWS) + gain * (design @ tail)


def seen_of(design: Floats, series: Floats, variance: float) -> Seen:
    own = design @ np.linalg.lstsq(design, series, rcond=None)[0]
    left = float(np.sum(np.square(series - own)))
    return Seen(design.T @ design, design.T @ series, float(series @ series), left, ROWS, variance)


def both(vertical: float, lateral: float, seed: int = 1) -> tuple[list[Floats], list[Floats], list[Seen]]:
    tail = np.array([1.0, 0.6, -0.2, 0.1])
    parts = [whitened(seed, tail, vertical, 1.0), whitened(seed + 50, tail, lateral, 3.0)]
    seen = [seen_of(design, series, level) for (design, series), level in zip(parts, (1.0, 9.0), strict=True)]
    return [design for design, _ in parts], [series for _, series in parts], seen


def asked(seen: list[Seen], gains: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    evidence, weights = np.empty(len(gains)), np.empty((len(gains), COMPONENTS))
    share, explained = np.empty(2), np.empty(len(gains))
    ask_directions(
        np.stack([part.gram for part in seen]),
        np.stack([part.cross for part in seen]),
        np.array([[part.energy, part.variance, part.left] for part in seen]),
        ROWS,
        VARIANCE,
        SIZES,
        gains,
        evidence,
        weights,
        share,
        explained,
    )
    return evidence, weights, share, explained


@pytest.mark.parametrize("gains", [(1.0, 0.0), (0.6, -0.8), (-0.3, 0.9)])
def test_the_evidence_of_a_direction_is_that_of_dense_algebra(gains: tuple[float, float]) -> None:
    designs, series, seen = both(3.0, -4.0)
    evidence, weights, share, explained = asked(seen, np.array([gains]))
    wanted_share = [(WORTH + ROWS) / (WORTH * part.variance + part.left) for part in seen]
    np.testing.assert_allclose(share, wanted_share)
    # both parts as one regression, each over its deviation
    scale = np.sqrt(wanted_share)
    design = np.concatenate([scale[k] * gains[k] * designs[k] for k in range(2)])
    told = np.concatenate([scale[k] * series[k] for k in range(2)])
    gram = design.T @ design
    best, fitted = 0.0, np.zeros(COMPONENTS)
    for size in SIZES:
        prior = size * ROWS / np.sum(VARIANCE * np.diag(gram)) * np.diag(VARIANCE)
        covariance = np.linalg.inv(np.linalg.inv(prior) + gram)
        tail = covariance @ (design.T @ told)
        nats = 0.5 * (np.linalg.slogdet(covariance)[1] - np.linalg.slogdet(prior)[1])
        nats -= 0.5 * tail @ np.linalg.solve(prior, tail)
        for part, (one, what, gain) in enumerate(zip(designs, series, gains, strict=True)):
            variance = seen[part].variance
            nats += likelihood(float(np.sum(np.square(what - gain * (one @ tail)))), ROWS, variance)
            nats -= likelihood(float(what @ what), ROWS, variance)
        if nats > best:
            best, fitted = nats, tail
    assert evidence[0] == pytest.approx(best, rel=1e-9)
    np.testing.assert_allclose(weights[0], fitted, rtol=1e-8)
    assert explained[0] == pytest.approx(fitted @ (design.T @ told), rel=1e-9)


def test_what_is_left_is_weighed_by_students_t() -> None:
    # scaled inverse chi-square prior of the variance: scipy's multivariate t, up to its constant, is the outside word
    _, series, seen = both(0.0, 0.0)
    one, other = series[0], series[0] - 0.3
    by_scipy = [
        multivariate_t(np.zeros(ROWS), seen[0].variance * np.eye(ROWS), df=WORTH).logpdf(x)
        for x in (one, other)
    ]
    ours = [likelihood(float(x @ x), ROWS, seen[0].variance) for x in (one, other)]
    assert ours[0] - ours[1] == pytest.approx(by_scipy[0] - by_scipy[1])


RINGS = np.random.default_rng(4).standard_normal((COMPONENTS, 8))
RINGS[:, 1] = [1.0, 0.6, -0.2, 0.1]


@pytest.mark.parametrize(("vertical", "lateral"), [(3.0, -8.0), (3.0, 8.0), (6.0, 8.0)])
def test_one_movement_in_both_parts_is_told_by_its_direction(vertical: float, lateral: float) -> None:
    designs, _, seen = both(vertical, lateral)
    told = weigh_together(*seen, VARIANCE, RINGS)
    assert told.beyond > 3.0
    step = np.pi / DIRECTIONS
    angle = np.arctan2(told.gains[1], told.gains[0])
    off = (angle - np.arctan2(lateral, vertical) + np.pi / 2) % np.pi - np.pi / 2
    assert abs(off) < 1.5 * step
    # what it takes off each part is what is there
    for design, gain, height in zip(designs, told.gains, (vertical, lateral), strict=True):
        wanted = height * (design @ RINGS[:, 1])
        assert np.linalg.norm(gain * (design @ told.weights) - wanted) < 0.35 * np.linalg.norm(wanted)
    assert told.one_ring > 0.9


@pytest.mark.parametrize(("vertical", "lateral"), [(6.0, 0.0), (0.0, 15.0), (0.0, 0.0)])
def test_what_one_part_alone_holds_is_no_surer_together(vertical: float, lateral: float) -> None:
    beyond = [
        weigh_together(*both(vertical, lateral, seed)[2], VARIANCE, RINGS).beyond for seed in range(1, 9)
    ]
    assert np.median(beyond) < 1.0
    assert max(beyond) < 5.0
