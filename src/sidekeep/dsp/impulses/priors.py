"""What speaks for damage besides the place itself: how much damage there is, the turn of the disc, a large repair near.

Conventions: those of ``mending``. All of it is nats, added to log odds.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel, kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Due = tuple[float, float, float, int]
"""Where the turn of the disc expects a click: frame, half width in frames, log odds, walls (1 left, 2 right)."""

PRIOR_DOWN, PRIOR_UP = 7.0, 1.0
"""Nats the share of damage in the stretch may move the odds; crackle is no licence to mend the music beside it."""
PRIOR_BELIEVED, PRIOR_BELIEF = 0.05, 1.0
"""A share believed beforehand, and how many candidates that is worth."""
DOUBT_DOWN, DOUBT_UP, DOUBT_BELIEF = 5.0, 1.5, 10.0
"""The same for the second judge's odds. In a worn groove it need not doubt; where it doubts most of what the first one lets pass,
it doubts the rest as well; where it is asked less than about ten times in a stretch, it keeps to what it is sure of."""
BESIDE, BESIDE_SIZE, BESIDE_BEFORE_S, BESIDE_AFTER_S = 3.0, 8.0, 0.0003, 0.0015
"""Nats for what lies so near a repair that is so many scales large: it may be the rest of it. Tried with the look again."""
DUE_LIMIT, DUE_OPEN = 5.0, 3.8
"""Nats the turn of the disc may add, and the test level, in scales, of a candidate where it expects one."""
SHARE_ROUNDS = 12
"""Of ``share_shift``, unless it has settled before."""


@kernel
def share_shift(
    odds: Floats, fitted_share: float, down: float, up: float, believed: float, worth: float
) -> float:
    """Nats to add to log odds so that they fit the share of damage among these candidates, ``-down`` to ``up``.

    Saerens, Latinne & Decaestecker, Neural Computation 14(1), 2002 (from memory): the prior is re-estimated by
    expectation-maximisation from the classifier's own outputs. ``fitted_share`` is the share of damage it was fitted at; the
    share ``believed`` beforehand counts as much as so many candidates as it is ``worth``. Infinite odds are left out.
    """
    shift, prior = 0.0, math.log(fitted_share / (1.0 - fitted_share))
    for _ in range(SHARE_ROUNDS):
        likely, count, before = 0.0, 0, shift
        for one in odds:
            if math.isfinite(one):
                likely += 1.0 / (1.0 + math.exp(-min(30.0, max(-30.0, one + shift))))
                count += 1
        if count == 0:
            return 0.0
        share = (likely + believed * worth) / (count + worth)
        shift = min(up, max(-down, math.log(share / (1.0 - share)) - prior))
        if shift == before:
            break
    return shift


@inner_kernel
def add_beside(spans: Ints, rows: Ints, sizes: Floats, rate_hz: float, odds: Floats) -> None:
    """Raise the odds of candidates close behind (or just before) a large mended place: what is left of it.

    ``rows`` of what was mended, in order, ``sizes`` in scales.
    """
    begin, end = np.empty(rows.shape[0], np.int64), np.empty(rows.shape[0], np.int64)
    count = 0
    for row in range(rows.shape[0]):
        if sizes[row] > BESIDE_SIZE:
            begin[count] = rows[row, 0] - int(BESIDE_BEFORE_S * rate_hz)
            end[count] = rows[row, 1] + int(BESIDE_AFTER_S * rate_hz)
            count += 1
    begin, end = begin[:count], end[:count]
    for i in range(spans.shape[0]):
        if np.searchsorted(begin, spans[i, 1]) > np.searchsorted(end, spans[i, 0], "right"):
            odds[i] += BESIDE


@inner_kernel
def spread_due(spans: Ints, due: Floats, wall: int, bonus: Floats) -> None:
    """``bonus`` gets the nats for the candidates, in order, whose peaks lie where a scratch is ``due`` on this wall (0 or 1).

    ``due``: rows as in ``Due``.
    """
    bonus[:] = 0.0
    peaks = spans[:, 2]
    for row in range(due.shape[0]):
        if not int(due[row, 3]) >> wall & 1:
            continue
        nats = min(DUE_LIMIT, max(0.0, due[row, 2] + DUE_LIMIT))
        n = np.searchsorted(peaks, due[row, 0] - due[row, 1])
        while n < peaks.shape[0] and peaks[n] <= due[row, 0] + due[row, 1]:
            bonus[n] = max(bonus[n], nats)
            n += 1
