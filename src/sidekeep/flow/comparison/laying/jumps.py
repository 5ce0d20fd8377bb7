"""Places where one take lacks a moment of the music: frames lost while recording, a small cut, a needle that skipped.

Whole seconds that are missing split the line the takes lie on (``dsp.alignment.rough``). Less than that leaves a step in the
curve that no turntable makes: three turns before a moment and three after it lie on two levels, where wow averages out within
each and a drift of the speed shows on both sides of the step alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.time_map import TimeMap

Floats = NDArray[np.float64]

STEP_S = 0.1
"""Eighteen to a turn of 33 1/3: places are then made exact on the knots."""
TURNS_S, BESIDE_S = 5.4, 2.7
"""Three turns at 33 1/3 and four at 45 rpm are averaged on either side, this far from the moment: the curve needs a while to get
from one level to the other."""
DRIFT_S = 60.0
"""What the curve does without the step is learned from so far around it."""
LEAST_S = 0.006
"""What is left of wow and drift stays under 1 ms on pressed pairs; a frame lost by a sound card's buffer is at least as long."""
UNLAID_S, LAID_AGAIN_S = 4.0, 0.03
"""A curve over both sides of a step needs some seconds to find from one level to the other; after a step longer than the second
number it may lie so loosely over the rest of the side that no mark can be told."""
LAID_BESIDE_S = 0.3
"""Nearer than this to what is missing nothing is told where the takes were laid on each other on either side by themselves."""
SURE_SD_S = 2e-3
FEWEST_SHARE = 0.5
"""A knot this sure lies in sound, and half of a level must (chosen here)."""


@dataclass(frozen=True, kw_only=True)
class Jump:
    """Near ``at_s`` of the old take the new one lacks ``length_s`` of the music (negative: the old one does). ``is_laid``: what
    lies before and what lies after was laid by itself, so that ``at_s`` is known to a tenth of a second (``pieces``)."""

    at_s: float
    length_s: float
    is_laid: bool = False

    def disturbs(self, moment_s: float) -> bool:
        """Whether the takes are not laid on each other closely at a moment because of it."""
        apart_s = abs(moment_s - self.at_s)
        if self.is_laid:
            return apart_s < LAID_BESIDE_S + abs(self.length_s)
        return abs(self.length_s) > LAID_AGAIN_S or apart_s < UNLAID_S


def find_jumps(curve: TimeMap) -> list[Jump]:
    """All steps of the curve, in order of time."""
    per_step = round(STEP_S / curve.step_s)
    count = len(curve.new_s) // per_step
    if count * STEP_S < 4.0 * (TURNS_S + BESIDE_S):
        return []
    moments = curve.start_s + curve.step_s * np.arange(count * per_step)
    away_s = curve.new_s[: count * per_step] - curve.speed_ratio * moments
    sure = curve.sd_s[: count * per_step] < SURE_SD_S
    shape = (count, per_step)
    weights = sure.reshape(shape).sum(axis=1).astype(np.float64)
    sums = np.concatenate([[0.0], np.cumsum((away_s * sure).reshape(shape).sum(axis=1))])
    known = np.concatenate([[0.0], np.cumsum(weights)])
    beside, turns = round(BESIDE_S / STEP_S), round(TURNS_S / STEP_S)
    at = np.arange(beside + turns, count - beside - turns)

    def level(first: NDArray[np.int64], stop: NDArray[np.int64]) -> Floats:
        share = (known[stop] - known[first]) / (turns * per_step)
        mean = (sums[stop] - sums[first]) / np.maximum(known[stop] - known[first], 1.0)
        return np.where(share >= FEWEST_SHARE, mean, np.nan)

    before, after = level(at - beside - turns, at - beside), level(at + beside, at + beside + turns)
    steps = after - before
    # one step shows as far as the levels reach, and from wherever the curve begins to go over to where it has
    reach = beside + turns
    found: list[Jump] = []
    while np.isfinite(steps).any():
        highest = int(np.nanargmax(np.abs(steps)))
        # as far to one side as to the other, so that a drift that itself changes cancels
        half = max(min(highest, len(steps) - highest, round(DRIFT_S / STEP_S)), 2 * reach)
        beyond = [
            steps[max(0, highest - half) : max(0, highest - reach)],
            steps[highest + reach : highest + half],
        ]
        usual_s = np.concatenate(beyond)
        usual_s = usual_s[np.isfinite(usual_s)]
        if not len(usual_s):
            break
        length_s = float(steps[highest] - np.median(usual_s))
        if abs(length_s) < LEAST_S:
            break
        at_s = _middle(curve, at[highest], before[highest], after[highest])
        found.append(Jump(at_s=at_s, length_s=-length_s))
        # the highest may be anywhere on the plateau round the middle of the step
        middle = round((at_s - curve.start_s) / STEP_S) - reach
        steps[max(0, middle - reach - beside) : max(0, middle + reach + beside + 1)] = np.nan
    return sorted(found, key=lambda jump: jump.at_s)


def _middle(curve: TimeMap, step: int, before_s: float, after_s: float) -> float:
    """The moment at which the curve is half way from one level to the other."""
    first = max(0, round((step * STEP_S - BESIDE_S) / curve.step_s))
    stop = min(len(curve.new_s), round((step * STEP_S + BESIDE_S) / curve.step_s))
    moments = curve.start_s + curve.step_s * np.arange(first, stop)
    away_s = curve.new_s[first:stop] - curve.speed_ratio * moments
    beyond = (away_s - 0.5 * (before_s + after_s)) * np.sign(after_s - before_s) > 0.0
    return float(moments[int(np.argmax(beyond))] if beyond.any() else moments[len(moments) // 2])
