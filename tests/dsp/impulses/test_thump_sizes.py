"""What speaks for a thump's tail, by one kernel, against dense linear algebra of numpy (reference library)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from sidekeep.dsp.impulses.thump_evidence import SIZES, weigh
from sidekeep.dsp.impulses.thump_sizes import ask_heads, fit_music, likelihood

Floats = NDArray[np.float64]
ORDER, PARTS, SAMPLES, HEAD = 6, 4, 30, 90


def music(seed: int = 1) -> Floats:
    return 0.3 + lfilter([1.0], [1.0, -1.5, 0.8], np.random.default_rng(seed).standard_normal(260))


def basis() -> Floats:
    t = np.arange(SAMPLES)
    return np.stack([np.exp(-t / 8.0) * np.sin((0.2 + 0.1 * k) * t) for k in range(PARTS)])


VARIANCE = 0.5 ** np.arange(PARTS)


def plain_music(low: Floats, begin: int, stop: int) -> tuple[Floats, float]:
    """The filter and the variance by least squares over all windows that do not touch ``[begin, stop)``."""
    known = np.ones(len(low), dtype=bool)
    known[begin:stop] = False
    even = low - low[known].mean()
    windows = np.lib.stride_tricks.sliding_window_view(even, ORDER + 1)[:, ::-1]
    windows = windows[np.lib.stride_tricks.sliding_window_view(known, ORDER + 1).all(axis=1)]
    past, now = windows[:, 1:], windows[:, 0]
    normal = past.T @ past
    ridge = 1e-7 * np.trace(normal) / ORDER + 1e-20
    model = np.r_[1.0, -np.linalg.solve(normal + ridge * np.eye(ORDER), past.T @ now)]
    squares = np.square(windows @ model)
    return model, 0.5 * squares.mean() + 0.5 * float(np.median(squares)) / 0.455


def test_the_music_is_fitted_outside_the_gap() -> None:
    low, model = music(), np.empty(ORDER + 1)
    low[HEAD : HEAD + 40] += 50.0
    scale = fit_music(low, HEAD, HEAD + 40, model)
    wanted, variance = plain_music(low, HEAD, HEAD + 40)
    np.testing.assert_allclose(model, wanted, atol=1e-9)
    assert scale == pytest.approx(variance, rel=1e-9)
    # the process was made with these two taps
    np.testing.assert_allclose(model[1:3], [-1.5, 0.8], atol=0.2)


def test_the_likelihood_is_that_of_a_variance_that_is_not_known() -> None:
    # the scaled inverse chi-square prior gives Student's t (Gelman et al., Bayesian Data Analysis, 3rd ed., appendix A, from memory)
    assert likelihood(0.0, 40, 2.0) == 0.0
    assert likelihood(48.0, 40, 2.0) == pytest.approx(-24.0 * math.log(4.0))


def plain_evidence(low: Floats, places: int) -> list[tuple[float, Floats]]:
    """Nats and weights of the likeliest size at each place, through the eigenvectors of the whitened basis."""
    model, scale = plain_music(low, HEAD, HEAD + places - 1 + SAMPLES)
    seen = np.stack([np.convolve(row, model) for row in basis()], axis=1)
    root = np.sqrt(VARIANCE)
    strength, axes = np.linalg.eigh(root[:, None] * (seen.T @ seen) * root)
    unit = strength.sum() / len(seen)
    answers = []
    for head in range(HEAD, HEAD + places):
        surprise = np.convolve(low[head - ORDER : head + len(seen)], model, "valid")
        along = axes.T @ (root * (seen.T @ surprise))
        best = (0.0, np.zeros(PARTS))
        for gain in SIZES / unit:
            loaded = 1.0 + gain * strength
            energy = surprise @ surprise - gain * np.sum(along**2 / loaded)
            nats = likelihood(energy, len(seen), scale) - likelihood(surprise @ surprise, len(seen), scale)
            nats -= 0.5 * np.log(loaded).sum()
            if nats > best[0]:
                best = (nats, root * (axes @ (gain * along / loaded)))
        answers.append(best)
    return answers


@pytest.mark.parametrize("height", [0.0, 8.0, 60.0])
def test_the_evidence_along_is_that_of_dense_algebra(height: float) -> None:
    low = music(2)
    low[HEAD + 3 : HEAD + 3 + SAMPLES] += height * basis()[1]
    evidence, gains, explained = np.empty(7), np.empty(7), np.empty(7)
    gram, cross, noise = np.empty((PARTS, PARTS)), np.empty((PARTS, 7)), np.empty(2)
    model = np.empty(ORDER + 1)
    ask_heads(low, HEAD, basis(), VARIANCE, SIZES, model, gram, cross, evidence, gains, explained, noise)
    surprise = np.convolve(low[HEAD - ORDER : HEAD + SAMPLES + ORDER], model, "valid")
    np.testing.assert_allclose(noise, [plain_music(low, HEAD, HEAD + 6 + SAMPLES)[1], surprise @ surprise])
    wanted = [nats for nats, _ in plain_evidence(low, 7)]
    np.testing.assert_allclose(evidence, wanted, rtol=1e-8, atol=1e-8)
    assert ((gains > 0.0) == (evidence > 0.0)).all()
    assert ((explained > 0.0) == (evidence > 0.0)).all()
    if height:
        assert int(np.argmax(evidence)) == 3


def test_the_weights_at_a_place_are_its_posterior_mean(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sidekeep.dsp.impulses.thump_evidence.ORDER", ORDER)
    low = music(3)
    low[HEAD : HEAD + SAMPLES] += 40.0 * basis()[1]
    rings = np.random.default_rng(1).standard_normal((PARTS, 10))
    rings[:, 0] = [0.0, 1.0, 0.0, 0.0]
    answer = weigh(low, HEAD, basis(), VARIANCE, rings)
    ((nats, weights),) = plain_evidence(low, 1)
    assert answer.evidence == pytest.approx(nats, rel=1e-8)
    np.testing.assert_allclose(answer.weights, weights, atol=1e-8)
    tail = 40.0 * basis()[1]
    assert np.square(answer.weights @ basis() - tail).sum() < 0.05 * np.square(tail).sum()
    # the share of one ring: a least-squares fit of each pair
    model, _ = plain_music(low, HEAD, HEAD + SAMPLES)
    surprise = np.convolve(low[HEAD - ORDER : HEAD + SAMPLES + ORDER], model, "valid")
    most, explained = 0.0, 0.0
    seen = [np.convolve(row, model) for row in rings.T @ basis()]
    for sine, cosine in zip(seen[:5], seen[5:], strict=True):
        pair = np.stack([sine, cosine], axis=1)
        most = max(most, float(np.square(pair @ np.linalg.lstsq(pair, surprise, rcond=None)[0]).sum()))
    whole = np.stack([np.convolve(row, model) for row in basis()], axis=1)
    explained = float(surprise @ (whole @ answer.weights))
    assert answer.seen.left == pytest.approx(surprise @ surprise - explained, rel=1e-6)
    assert answer.seen.rows == len(surprise)
    assert answer.one_ring == pytest.approx(most / explained, rel=1e-6)
