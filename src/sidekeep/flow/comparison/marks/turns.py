"""Marks by their place in the turn: the turn itself, the angle of each, and the marks of one scratch counted as one thing."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.turn.period import TurnEstimate, estimate_turn
from sidekeep.flow.comparison.marks.marks import Mark

Floats = NDArray[np.float64]

SCRATCH_MARKS = 4
SCRATCH_TOLERANCE_S = 0.006
MISSED_TURNS = 3
LOUDEST = 2500
FEWEST = 5
"""Four crossings make a scratch, each within a degree of its turn, up to two in a row too faint to be found; a turn is looked
for in five marks and more, and in the loudest of very many (chosen here)."""


def turn_of(both_s: Floats, both_db: Floats, marks: Sequence[Mark], length_s: float) -> TurnEstimate:
    """The turn that the marks of a side tell, those on both takes and those on one."""
    times = np.concatenate([both_s, [mark.start_s for mark in marks]])
    sizes = np.concatenate([both_db, [mark.size_db for mark in marks]])
    if len(times) < FEWEST:
        return TurnEstimate()
    # the loudest say it as well as all of them, and a minute sooner
    loudest = np.sort(np.argsort(-sizes, kind="stable")[:LOUDEST])
    return estimate_turn(times[loudest], sizes[loudest], duration_s=length_s)


def placed(marks: Sequence[Mark], turn: TurnEstimate) -> list[Mark]:
    """Every mark with its angle, and those that come back turn after turn counted as one scratch."""
    if turn.source == "none":
        return list(marks)
    scratch_of: dict[int, int] = {}
    number = 0
    for state in ("new", "gone"):
        chosen = [index for index, mark in enumerate(marks) if mark.state == state]
        for chain in _chains(np.array([marks[index].start_s for index in chosen]), turn.period_s):
            scratch_of.update({chosen[member]: number for member in chain})
            number += 1
    return [
        dataclasses.replace(
            mark, angle_deg=float(mark.start_s / turn.period_s % 1.0 * 360.0), scratch=scratch_of.get(index)
        )
        for index, mark in enumerate(marks)
    ]


def _chains(times: Floats, period_s: float) -> list[list[int]]:
    """Indices of moments that follow each other by whole turns, a few of which may be missing."""
    used: set[int] = set()
    chains = []
    for first in range(len(times)):
        if first in used:
            continue
        chain, at = [first], times[first]
        while True:
            after = times - at
            turns = np.rint(after / period_s)
            near = np.abs(after - turns * period_s) < SCRATCH_TOLERANCE_S
            options = np.flatnonzero(near & (turns >= 1) & (turns <= MISSED_TURNS))
            free = [int(index) for index in options if int(index) not in used]
            if not free:
                break
            chain.append(free[0])
            at = times[free[0]]
        if len(chain) >= SCRATCH_MARKS:
            used.update(chain)
            chains.append(chain)
    return chains
