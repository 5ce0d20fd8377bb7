"""One channel of a stretch on its way: what is mended of it so far, its predictors, their errors, and the candidates in it.

Conventions: those of ``mending``. After something was mended, only the hops that see it are stale and are looked at again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.candidates import (
    CELL,
    calm_share,
    find_candidates,
    find_errors,
    find_scale,
    find_tests,
    fit_predictors,
)
from sidekeep.dsp.impulses.evidence.collect import EVIDENCE, SCREEN_ODDS, collect_evidence, judge_candidates
from sidekeep.dsp.impulses.evidence.weights import fitted_weights
from sidekeep.dsp.impulses.priors import (
    DOUBT_BELIEF,
    DOUBT_DOWN,
    DOUBT_UP,
    DUE_OPEN,
    PRIOR_BELIEF,
    PRIOR_BELIEVED,
    PRIOR_DOWN,
    PRIOR_UP,
    share_shift,
    spread_due,
)
from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

HOP, CONTEXT = 1024, 1024
"""Frames at 48 kHz from one predictor to the next, and of the context on each side that an estimate sees: 512 to 2048 were
tried, for no difference or a little."""
GROW_AT = 2.5
"""Scales from which errors beside a candidate belong to its span."""
NOTHING_DUE = np.empty((0, 4))
LEAST_CALM = 0.3
"""Of ``Channel.calm_share``: the price of a frame does not fall further."""


class Channel:
    """One channel on its way: what is mended so far, predictors and errors."""

    def __init__(self, working: Floats, rate_factor: int) -> None:
        length = len(working)
        self.working = working
        self.rate_factor = rate_factor
        self.order = order_for(rate_factor)
        self.hop = HOP * rate_factor
        hops = -(-length // self.hop)
        self.models = np.empty((hops, self.order + 1))
        self.errors = np.empty((2, length))
        self.worth = np.empty(length)
        self.means, self.scale = np.empty((2, -(-length // CELL)))
        self.stale = np.ones(hops, dtype=np.bool_)
        self.spans = np.empty((0, 3), dtype=np.int64)
        self.tests = np.empty(0)
        self.odds = np.empty(0)
        self.doubts = np.empty(0)

    def look(self, open_at: float, due: Floats = NOTHING_DUE, wall: int = 0) -> None:
        """Refresh what is stale and list the candidates there; fainter ones too where a scratch is due on this wall.

        ``due``: rows as in ``priors.Due``.
        """
        fit_predictors(self.working, self.hop, self.order, self.stale, self.models)
        find_errors(self.working, self.hop, self.models, self.stale, self.errors[0], self.errors[1])
        find_scale(self.errors[0], self.hop, self.stale, self.means, self.scale)
        find_tests(self.errors[1], self.models, self.hop, self.stale, self.rate_factor, self.worth)
        spans = np.empty((len(self.working) // 4, 3), dtype=np.int64)
        tests = np.empty(len(spans))
        count = find_candidates(
            self.working,
            self.errors[0],
            self.worth,
            self.scale,
            self.models,
            self.hop,
            self.stale,
            min(open_at, DUE_OPEN) if len(due) else open_at,
            GROW_AT,
            self.rate_factor,
            spans,
            tests,
        )
        count = keep_fresh(spans[:count], tests, self.stale, self.hop, open_at, due, wall)
        self.spans, self.tests = spans[:count].copy(), tests[:count].copy()
        self.stale[:] = False

    def collect(self, other: Floats, least_odds: float = SCREEN_ODDS) -> Floats:
        """The evidence (candidates, ``EVIDENCE``) of each candidate; ``odds`` are those of the screen then.

        ``other`` is the second channel, empty where there is none.
        """
        evidence = np.empty((len(self.spans), len(EVIDENCE)))
        self.odds = np.empty(len(self.spans))
        collect_evidence(
            self.working,
            other,
            self.errors,
            self.scale,
            CELL,
            self.models,
            self.hop,
            self.spans,
            self.tests,
            self.rate_factor,
            fitted_weights().screen,
            least_odds,
            evidence,
            self.odds,
        )
        return evidence

    def judge(self, other: Floats) -> None:
        """Weigh the evidence of each candidate: ``odds`` of the first judge, ``doubts`` of the second where it is asked."""
        evidence, weights = self.collect(other), fitted_weights()
        judges = (weights.stereo, weights.stereo_edges) if len(other) else (weights.mono, weights.mono_edges)
        self.doubts = np.empty(len(self.spans))
        judge_candidates(self.working, self.spans, evidence, *judges, self.odds, self.doubts)

    def calm_share(self, peaks: NDArray[np.int64]) -> Floats:
        """Power of the local scale over that of the errors around each peak, ``LEAST_CALM`` to 1."""
        return calm_share(self.means, self.scale, peaks, CONTEXT * self.rate_factor // CELL, LEAST_CALM)

    def mark_stale(self, rows: Ints) -> None:
        """Hops whose predictor or errors see a changed row."""
        mark_hops(rows, self.hop, self.order + self.hop // 2 + 1, self.stale)


@kernel
def keep_fresh(
    spans: Ints, tests: Floats, stale: Flags, hop: int, open_at: float, due: Floats, wall: int
) -> int:
    """Move the candidates of stale hops that stand out by ``open_at`` scales, or are due, to the front; how many."""
    bonus = np.empty(spans.shape[0])
    spread_due(spans, due, wall, bonus)
    count = 0
    for i in range(spans.shape[0]):
        if stale[spans[i, 2] // hop] and (tests[i] >= open_at or bonus[i] > 0.0):
            for column in range(3):
                spans[count, column] = spans[i, column]
            tests[count] = tests[i]
            count += 1
    return count


@kernel
def mark_hops(rows: Ints, hop: int, room: int, stale: Flags) -> None:
    """``stale`` the hops that lie within ``room`` of a row."""
    for row in range(rows.shape[0]):
        first, last = max(0, (rows[row, 0] - room) // hop), (rows[row, 1] + room) // hop
        for b in range(first, min(stale.shape[0], last + 1)):
            stale[b] = True


def order_for(rate_factor: int) -> int:
    """Predictor order: 32 at 44.1 and 48 kHz, 48 at 96, 64 above."""
    return min(64, 16 + 16 * rate_factor)


def find_shifts(channels: list[Channel]) -> tuple[float, float]:
    """``share_shift`` of the first judge and of the second, over the candidates of all channels."""
    odds = np.concatenate([channel.odds for channel in channels])
    doubts = np.concatenate([channel.doubts for channel in channels])
    weights = fitted_weights()
    return (
        share_shift(odds, weights.share, PRIOR_DOWN, PRIOR_UP, PRIOR_BELIEVED, PRIOR_BELIEF),
        share_shift(doubts, weights.edges_share, DOUBT_DOWN, DOUBT_UP, weights.edges_share, DOUBT_BELIEF),
    )
