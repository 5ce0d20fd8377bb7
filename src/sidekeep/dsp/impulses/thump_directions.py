"""What speaks for one tail in both parts at once: the same movement, vertical and lateral at a fixed ratio.

Conventions: those of ``thump_evidence``. A needle is thrown in one direction, so what the vertical part holds of a tail is what
the lateral one holds, louder or softer, of either sign. Two parts that are asked apart each pay for a waveform of their own;
asked together, a faint one bears witness to a loud one. A drum in the middle has nothing in the vertical part to say so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Matrix, Vector, factor_band, solve_band
from sidekeep.dsp.impulses.thump_evidence import SIZES, Seen, best_ring
from sidekeep.dsp.impulses.thump_sizes import WORTH, likelihood
from sidekeep.dsp.kernel import inner_kernel, kernel

Floats = NDArray[np.float64]

DIRECTIONS = 24
"""Directions that are tried, 7.5 degrees apart from straight up on: half a step costs half a per cent of what a tail shows."""


@dataclass(frozen=True)
class Together:
    """``evidence`` in nats of one tail in both parts, and how much ``beyond`` that of either part alone it is; its gains in the
    vertical and the lateral part, the weights of the components, and the share that the best single ring explains."""

    evidence: float
    beyond: float
    gains: Floats
    weights: Floats
    one_ring: float


def weigh_together(vertical: Seen, lateral: Seen, variance: Floats, rings: Floats) -> Together:
    """The likeliest direction and size of one tail that both parts hold, and what speaks for it.

    ``variance`` (components,) and ``rings`` (components, 2 rings): as in ``thump_evidence``.
    """
    angles = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    gains = np.ascontiguousarray(np.stack([np.cos(angles), np.sin(angles)], axis=1))
    parts = (vertical, lateral)
    grams, crosses = np.stack([part.gram for part in parts]), np.stack([part.cross for part in parts])
    noise = np.array([[part.energy, part.variance, part.left] for part in parts])
    evidence, weights = np.empty(DIRECTIONS), np.empty((DIRECTIONS, len(variance)))
    share, explained = np.empty(2), np.empty(DIRECTIONS)
    ask_directions(
        grams, crosses, noise, vertical.rows, variance, SIZES, gains, evidence, weights, share, explained
    )
    best = int(np.argmax(evidence))
    one_ring = 0.0
    if evidence[best] > 0.0:
        gram, cross = (
            np.tensordot(share * gains[best] ** 2, grams, 1),
            (share * gains[best]) @ crosses,
        )
        one_ring = best_ring(gram, cross, rings) / float(explained[best])
    beyond = float(evidence[best] - max(evidence[0], evidence[DIRECTIONS // 2]))
    return Together(float(evidence[best]), beyond, gains[best], weights[best], one_ring)


@kernel
def ask_directions(
    grams: Matrix,
    crosses: Matrix,
    noise: Matrix,
    rows: int,
    variance: Vector,
    sizes: Vector,
    gains: Matrix,
    evidence: Vector,
    weights: Matrix,
    share: Vector,
    explained: Vector,
) -> None:
    """``evidence`` in nats of a tail at each row of ``gains`` (directions, 2), and its ``weights`` (directions, components); 0
    where none beats no tail.

    ``grams`` (2, components, components), ``crosses`` (2, components) and ``noise`` (2, 3), the energy of the whitened series,
    the variance of what is unpredictable and the energy that a tail of its own leaves: of either part, ``rows`` samples each.
    ``sizes`` as in ``ask_heads``. ``share`` (2,) gets one over the variance that each part is weighed with, ``explained`` the
    energy over those variances that the tail explains.
    """
    count = variance.shape[0]
    root = np.sqrt(variance)
    gram, factor = np.empty((count, count)), np.empty((count, count))
    cross, tail = np.empty(count), np.empty(count)
    evidence[:], explained[:] = 0.0, 0.0
    weights[:] = 0.0
    # each part is weighed as it is once its own tail is off
    for part in range(2):
        share[part] = (WORTH + rows) / (WORTH * noise[part, 1] + noise[part, 2])
    for direction in range(gains.shape[0]):
        mix_parts(grams, crosses, share, gains[direction], gram, cross)
        trace = 0.0
        for a in range(count):
            trace += variance[a] * gram[a, a]
        for size in sizes:
            gain = size * rows / max(trace, 1e-30)
            for a in range(count):
                for b in range(a, count):
                    factor[a, b - a] = gain * root[a] * root[b] * gram[a, b]
                factor[a, 0] += 1.0
                tail[a] = root[a] * cross[a]
            factor_band(factor, count, count - 1)
            solve_band(factor, count, count - 1, tail)
            for a in range(count):
                tail[a] *= gain * root[a]
            nats, told = 0.0, 0.0
            for part in range(2):
                left = left_of(grams[part], crosses[part], noise[part, 0], gains[direction, part], tail)
                nats += likelihood(left, rows, noise[part, 1])
                nats -= likelihood(noise[part, 0], rows, noise[part, 1])
            for a in range(count):
                # the factor holds one over its diagonal
                nats += math.log(factor[a, 0]) - 0.5 * tail[a] * tail[a] / (gain * variance[a])
                told += tail[a] * cross[a]
            if nats > evidence[direction]:
                evidence[direction], explained[direction] = nats, told
                weights[direction] = tail


@inner_kernel
def mix_parts(
    grams: Matrix, crosses: Matrix, share: Vector, gains: Vector, gram: Matrix, cross: Vector
) -> None:
    """The products of both parts as one, each over its variance and at its gain."""
    one, two = share[0] * gains[0] * gains[0], share[1] * gains[1] * gains[1]
    for a in range(cross.shape[0]):
        cross[a] = share[0] * gains[0] * crosses[0, a] + share[1] * gains[1] * crosses[1, a]
        for b in range(cross.shape[0]):
            gram[a, b] = one * grams[0, a, b] + two * grams[1, a, b]


@inner_kernel
def left_of(gram: Matrix, cross: Vector, energy: float, gain: float, tail: Vector) -> float:
    """Energy of a part's whitened series without a tail of these weights at this gain."""
    for a in range(tail.shape[0]):
        product = 0.0
        for b in range(tail.shape[0]):
            product += gram[a, b] * tail[b]
        energy += gain * tail[a] * (gain * product - 2.0 * cross[a])
    return max(0.0, energy)
