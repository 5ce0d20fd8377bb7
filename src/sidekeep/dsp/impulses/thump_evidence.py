"""What speaks for a thump's tail at a place of one low-rate channel, and what it is.

Conventions: a series (samples,) at the low rate of ``thump_rings``; ``head`` is the sample at which the basis begins.

After Godsill & Tan (1997), who separate thump and music as two autoregressive signals: the music's model is fitted on both
sides of the tail, the thump is a Gaussian process whose covariance ``thump_rings`` gives. Size and presence come from the
evidence, over a grid of sizes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.thump_sizes import ask_heads

Floats = NDArray[np.float64]

ORDER = 28
"""Of the music's model: 70 ms at 400 Hz, which tells two bass tones 14 Hz apart. No other value was measured."""
SIZES = 10.0 ** (np.array([0.0, 8.0, 16.0, 24.0, 32.0, 40.0, 48.0]) / 10.0)
"""Trial sizes, power ratios of a thump over the music's own unpredictable part. Chosen by hand, no finer reason."""
EVIDENCE = 16.0
"""Nats that a thump must be likelier than none to be looked into. Chosen on pressed sides, no finer reason."""
_UNEASE = 8.0
"""More nats for every factor e that the tail, thump gone, stays louder than twice the context: a drum. Chosen on pressed sides,
no finer reason."""


@dataclass(frozen=True)
class Seen:
    """What the music's model leaves of a place and of the basis: products of the whitened basis with itself and with the whitened
    series, the energy of that series, how much of it a tail leaves, its samples, and the variance of what is unpredictable round
    it."""

    gram: Floats
    cross: Floats
    energy: float
    left: float
    rows: int
    variance: float


@dataclass(frozen=True)
class Answer:
    """``evidence`` in nats, what it must exceed over the usual (``needed``), the share of what the family explains that the best
    single ring explains, the weights of the components, and what was seen there."""

    evidence: float
    needed: float
    one_ring: float
    weights: Floats
    seen: Seen


@dataclass(frozen=True)
class _Asked:
    """What ``ask_heads`` says of some places."""

    evidence: Floats
    gains: Floats
    explained: Floats
    gram: Floats
    cross: Floats
    noise: Floats
    rows: int


def _ask(low: Floats, head: int, places: int, basis: Floats, variance: Floats) -> _Asked:
    parts, length = basis.shape
    model = np.empty(min(ORDER, max(4, (len(low) - places + 1 - length) // 12)) + 1)
    evidence, gains, explained = np.empty(places), np.empty(places), np.empty(places)
    gram, cross, noise = np.empty((parts, parts)), np.empty((parts, places)), np.empty(2)
    ask_heads(low, head, basis, variance, SIZES, model, gram, cross, evidence, gains, explained, noise)
    return _Asked(evidence, gains, explained, gram, cross, noise, length + len(model) - 1)


def weigh(low: Floats, head: int, basis: Floats, variance: Floats, rings: Floats) -> Answer:
    """Evidence and posterior mean of a thump at one place, by a model of the music round it.

    ``rings`` (components, 2 rings): single rings, sines first, as mixtures of the components.
    """
    asked, stop = _ask(low, head, 1, basis, variance), head + basis.shape[1]
    evidence, gain, cross = float(asked.evidence[0]), float(asked.gains[0]), asked.cross[:, 0]
    root = np.sqrt(variance)
    system = np.eye(len(root)) + gain * root[:, None] * asked.gram * root
    weights = gain * root * np.linalg.solve(system, root * cross)
    unpredictable, energy = asked.noise.tolist()
    seen = Seen(asked.gram, cross, energy, energy - float(asked.explained[0]), asked.rows, unpredictable)
    if evidence < EVIDENCE:
        return Answer(evidence, 0.0 if evidence > 0.0 else np.inf, 0.0, weights, seen)
    tail, around = low[head:stop] - weights @ basis, np.concatenate((low[:head], low[stop:]))
    louder = float(np.mean(tail**2)) / max(2.0 * float(np.mean(around**2)), 1e-30)
    unease = _UNEASE * max(0.0, float(np.log(louder)))
    one_ring = best_ring(asked.gram, cross, rings) / float(asked.explained[0])
    return Answer(evidence, unease, one_ring, weights, seen)


def evidence_along(low: Floats, head: int, places: int, basis: Floats, variance: Floats) -> Floats:
    """Evidence of a thump at each of so many places from ``head`` on, judged by one model of the music for all of them.

    Behind the last of them there must be the basis and the order of the model.
    """
    return _ask(low, head, places, basis, variance).evidence


def best_ring(gram: Floats, cross: Floats, rings: Floats) -> float:
    """Most energy of the surprise that one ring, of any size and phase, explains."""
    half = rings.shape[1] // 2
    seen = gram @ rings
    squares = np.sum(seen * rings, axis=0)
    ss, cc = squares[:half], squares[half:]
    sc = np.sum(seen[:, :half] * rings[:, half:], axis=0)
    a, b = np.split(cross @ rings, 2)
    determinant = np.maximum(ss * cc - sc**2, 1e-9 * ss * cc)
    return float(np.max((cc * a**2 - 2.0 * sc * a * b + ss * b**2) / determinant))
