"""What speaks for damage besides the place itself: how much damage there is, the turn of the disc, a large repair near.

Conventions: those of ``mending``. All of it is nats, added to log odds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.damage_spans import DamageSpans, overlap
from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]
Due = tuple[float, float, float, int]
"""Where the turn of the disc expects a click: frame, half width in frames, log odds, walls (1 left, 2 right)."""

PRIOR_DOWN, PRIOR_UP = 7.0, 1.0
"""Nats the share of damage in the stretch may move the odds; crackle is no licence to mend the music beside it."""
DOUBT_DOWN, DOUBT_UP, DOUBT_BELIEF = 5.0, 1.5, 10.0
"""The same for the second judge's odds. In a worn groove it need not doubt; where it doubts most of what the first one lets pass,
it doubts the rest as well; where it is asked less than about ten times in a stretch, it keeps to what it is sure of."""
BESIDE, BESIDE_SIZE, BESIDE_BEFORE_S, BESIDE_AFTER_S = 3.0, 8.0, 0.0003, 0.0015
"""Nats for what lies so near a repair that is so many scales large: it may be the rest of it. Tried with the look again."""
DUE_LIMIT, DUE_OPEN = 5.0, 3.8
"""Nats the turn of the disc may add, and the test level, in scales, of a candidate where it expects one."""


def share_shift(
    odds: Floats, fitted_share: float, down: float, up: float, belief: tuple[float, float] = (0.05, 1.0)
) -> float:
    """Nats to add to log odds so that they fit the share of damage among these candidates, ``-down`` to ``up``.

    Saerens, Latinne & Decaestecker, Neural Computation 14(1), 2002 (from memory): the prior is re-estimated by
    expectation-maximisation from the classifier's own outputs. ``fitted_share`` is the share of damage it was fitted at;
    ``belief`` a share believed beforehand, and how many candidates that is worth.
    """
    if not len(odds):
        return 0.0
    shift, prior = 0.0, math.log(fitted_share / (1.0 - fitted_share))
    for _ in range(12):
        likely = 1.0 / (1.0 + np.exp(-np.clip(odds + shift, -30.0, 30.0)))
        share = (float(likely.sum()) + belief[0] * belief[1]) / (len(odds) + belief[1])
        shift = min(up, max(-down, math.log(share / (1.0 - share)) - prior))
    return shift


def beside_bonus(spans: NDArray[np.int64], taken: DamageSpans, rate_hz: float) -> Floats:
    """Nats for candidates close behind (or just before) a large mended place: what is left of it."""
    large = taken.rows[taken.sizes > BESIDE_SIZE]
    before, after = int(BESIDE_BEFORE_S * rate_hz), int(BESIDE_AFTER_S * rate_hz)
    near = overlap(spans[:, 0], spans[:, 1], large[:, 0] - before, large[:, 1] + after)
    return np.where(near, BESIDE, 0.0)


def due_bonus(spans: NDArray[np.int64], due: Sequence[Due], channel: int) -> Floats:
    """Nats for candidates, in order, where a scratch is expected on this wall."""
    bonus = np.zeros(len(spans))
    if len(due) and len(spans):
        spread_due(np.ascontiguousarray(spans[:, 2]), np.array(due, dtype=np.float64), 1 << channel, bonus)
    return bonus


@kernel
def spread_due(peaks: NDArray[np.int64], due: Floats, wall: int, bonus: Floats) -> None:
    """Raise ``bonus`` at the peaks inside each window to what it is worth there; columns as in ``Due``."""
    for row in range(due.shape[0]):
        if not int(due[row, 3]) & wall:
            continue
        nats = min(DUE_LIMIT, max(0.0, due[row, 2] + DUE_LIMIT))
        n = np.searchsorted(peaks, due[row, 0] - due[row, 1])
        while n < peaks.shape[0] and peaks[n] <= due[row, 0] + due[row, 1]:
            bonus[n] = max(bonus[n], nats)
            n += 1
