"""Is it damage or music? What speaks for and against every candidate, collected in one place and weighed into log odds.

Conventions: as in ``candidates``; ``own`` is the channel with the candidates, ``other`` the second channel of the take (length 0
for mono). A candidate is the frame of its peak, ``[first, last)`` its span; ``rate_factor`` is 1 at 44.1 and 48 kHz, 2 at 96, 4
at 192. Every piece of evidence is one number of a row; they are weighed together into log odds (natural logarithm), so that a
prior from elsewhere, such as the turn of the disc, is simply added.

A new piece of evidence is a function of this room, its name in ``EVIDENCE`` and its call in ``collect_evidence``; mending,
fitting and tests all collect by that. Weights that do not know it go on as they are until they are fitted again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Matrix, Vector
from sidekeep.dsp.impulses.evidence import near, repeats, seam, walls
from sidekeep.dsp.impulses.evidence.near import near_evidence
from sidekeep.dsp.impulses.evidence.network import Network, weigh_evidence
from sidekeep.dsp.impulses.evidence.rail import RAIL_ODDS, lies_on_the_rail, rail_of
from sidekeep.dsp.impulses.evidence.repeats import evenness_evidence, repeat_evidence, roughen
from sidekeep.dsp.impulses.evidence.seam import change_evidence, change_window, seam_evidence
from sidekeep.dsp.impulses.evidence.walls import wall_evidence
from sidekeep.dsp.kernel import borrowed, kernel

NEAR_EVIDENCE = near.NAMES
"""What the place itself tells; cheap to ask."""
EVIDENCE = (*NEAR_EVIDENCE, *walls.NAMES, *repeats.NAMES, *seam.NAMES)
"""Names of the numbers of a row, in order."""
STEREO_ONLY = walls.NAMES
"""What a take of one channel cannot tell."""
SCREEN_ODDS = -5.0
"""Below these log odds by the near evidence alone a candidate is music, and nothing more is asked."""
EDGES_ODDS = -1.0
"""From these log odds by the first judge on the second one is asked; it was fitted on such candidates."""
ALL = -np.inf
"""As the screen's odds: everything is asked of every candidate."""

_WALLS = len(NEAR_EVIDENCE)
_REPEATS = _WALLS + len(walls.NAMES)
_SEAM = _REPEATS + len(repeats.NAMES)


@kernel
def collect_evidence(
    own: Vector,
    other: Vector,
    errors: Matrix,
    scale: Vector,
    cell: int,
    models: Matrix,
    hop: int,
    spans: NDArray[np.int64],
    tests: Vector,
    rate_factor: int,
    screen: Network,
    least_odds: float,
    evidence: Matrix,
    odds: Vector,
) -> None:
    """Row i of ``evidence`` gets the numbers of ``EVIDENCE`` for candidate i, ``odds[i]`` what the screen says to it.

    ``errors`` (2, frames) are forward and two-sided. Of candidates that the screen gives ``least_odds`` or less only the near
    evidence is asked; the rest of their row is 0.
    """
    own, other, errors, scale, models = borrowed((own, other, errors, scale, models))
    spans, tests, screen, evidence = borrowed((spans, tests, screen, evidence))
    evidence[:] = 0.0
    order, window = models.shape[1] - 1, change_window(rate_factor)
    rough, rough_until = np.empty(errors.shape[1], np.float32), 0
    for i in range(spans.shape[0]):
        first, last, peak = spans[i]
        model, level, row = models[peak // hop], scale[peak // cell], evidence[i]
        near_evidence(own, errors[0], errors[1], level, model, peak, first, last, rate_factor, tests[i], row)
        odds[i] = weigh_evidence(row, screen)
        if odds[i] > least_odds:
            wall_evidence(own, other, errors[0], level, model, peak, rate_factor, row[0], row[_WALLS:])
            rough_until = roughen(errors[0], rough_until, peak, rate_factor, rough)
            repeat_evidence(errors[0], rough, order, peak, rate_factor, row[_REPEATS:])
            row[_REPEATS + 3] = evenness_evidence(spans, tests, i, rate_factor)
            row[_SEAM] = change_evidence(own, first, last, rate_factor, window)
            seam_evidence(own, first, last, rate_factor, row[_SEAM + 1 :])


@kernel
def judge_candidates(
    own: Vector,
    spans: NDArray[np.int64],
    evidence: Matrix,
    network: Network,
    edges: Network,
    odds: Vector,
    doubts: Vector,
) -> None:
    """``odds`` of the screen made those of the first judge, wherever the screen let a candidate pass.

    ``doubts`` are those of the second, infinite where it is not asked.
    """
    own, spans, evidence, network, edges = borrowed((own, spans, evidence, network, edges))
    doubts[:] = np.inf
    rail = rail_of(own, spans, odds, SCREEN_ODDS)
    for i in range(spans.shape[0]):
        if odds[i] > SCREEN_ODDS:
            odds[i] = weigh_evidence(evidence[i], network)
            if odds[i] > EDGES_ODDS:
                doubts[i] = weigh_evidence(evidence[i], edges)
            if odds[i] > SCREEN_ODDS and lies_on_the_rail(own, spans[i, 0], spans[i, 1], rail):
                odds[i] = RAIL_ODDS
