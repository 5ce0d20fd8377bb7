"""Takes of which one lacks a moment, laid on each other on either side of it by themselves.

A curve over a step needs seconds to get from one level to the other, and all that is found from a line that runs through both
levels is askew. Here what lies beyond those seconds says where either side would go on to, the sound tells which of the two it
follows and so where the step is, and each side is laid anew up to that moment.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.fine import KNOT_S
from sidekeep.dsp.alignment.sinc import read_at
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.flow.comparison.laying.curve import NEAR_HZ, lay_curve
from sidekeep.flow.comparison.laying.jumps import SURE_SD_S, UNLAID_S, Jump, find_jumps
from sidekeep.flow.comparison.laying.reading import read_span
from sidekeep.flow.ports import AudioSource

Floats = NDArray[np.float64]

NEEDED_S, LEARNED_S = 3.0, 9.0
"""Of a piece so much must be left beside the seconds that are unsure, and so much of that tells where it goes on to: five turns
at 33 1/3 rpm, so that wow averages out."""
WINDOW_S, HOP_S = 0.1, 0.02
"""A tenth of a second of sound tells which of two delays it follows; the moment is known to 20 ms."""
LOOSE_SHARE, LEAST_LOOSE_S, MOST_LOOSE_S = 0.3, 0.001, 0.012
"""How far the sound may be from where a side is thought to go on to: wow and drift within some seconds, less than the step."""
BROKEN_S = 0.15
"""The window of ``HOP_S`` may lie over the moment, on either side."""
BROKEN_SD_S = 1.0
"""So near to what is missing nothing is sure of the curve."""


def lay_in_pieces(
    old: AudioSource,
    new: AudioSource,
    curve: TimeMap,
    jumps: Sequence[Jump],
    done: Callable[[float], None] = lambda share: None,
) -> tuple[TimeMap, list[Jump]]:
    """The curve laid anew between the jumps found on it, and the jumps with their exact place and length; both as they came where
    a piece is too short to say where it goes on to."""
    if not jumps:
        return curve, []
    ends_s = [curve.start_s - UNLAID_S, *(jump.at_s for jump in jumps), curve.stop_s + UNLAID_S]
    roughs = [_goes_on(curve, low_s, high_s) for low_s, high_s in zip(ends_s, ends_s[1:])]
    if any(rough is None for rough in roughs):
        return curve, list(jumps)
    known = [rough for rough in roughs if rough is not None]
    moments: Floats = curve.start_s + KNOT_S * np.arange(len(curve.new_s), dtype=np.float64)
    edges = [0]
    for jump, before, after in zip(jumps, known, known[1:]):
        at_s = _moment(old, new, jump, moments, before, after)
        edges.append(int(np.clip(round((at_s - curve.start_s) / KNOT_S), edges[-1] + 4, len(moments) - 4)))
    edges.append(len(moments))
    new_s, sd_s = np.empty(len(moments)), np.empty(len(moments))
    for number, (low, high) in enumerate(zip(edges, edges[1:])):
        first_knot = round(curve.start_s / KNOT_S) + low
        piece = lay_curve(old, new, first_knot, known[number][low:high], lambda share: None).curve
        new_s[low:high], sd_s[low:high] = piece.new_s, piece.sd_s
        done((number + 1) / len(known))
    exact = []
    for edge in edges[1:-1]:
        length_s = float(new_s[edge - 1] + curve.speed_ratio * KNOT_S - new_s[edge])
        near = round((BROKEN_S + abs(length_s)) / KNOT_S)
        exact.append(Jump(at_s=float(moments[edge]), length_s=length_s, is_laid=True))
        sd_s[max(0, edge - near) : edge + near] = BROKEN_SD_S
    laid = TimeMap(start_s=curve.start_s, step_s=KNOT_S, new_s=new_s, sd_s=sd_s)
    return laid, sorted([*exact, *_left_over(laid, exact)], key=lambda jump: jump.at_s)


def _left_over(curve: TimeMap, exact: Sequence[Jump]) -> list[Jump]:
    """Smaller steps that show once the others are taken out."""
    moments = curve.start_s + KNOT_S * np.arange(len(curve.new_s))
    without = curve.new_s.copy()
    for jump in exact:
        without[moments >= jump.at_s] += jump.length_s
    found = find_jumps(TimeMap(start_s=curve.start_s, step_s=KNOT_S, new_s=without, sd_s=curve.sd_s))
    return [jump for jump in found if all(abs(jump.at_s - one.at_s) > UNLAID_S for one in exact)]


def _goes_on(curve: TimeMap, low_s: float, high_s: float) -> Floats | None:
    """(knots,) the curve between two moments, and beyond them where it would go on to; None where too little of it is sure."""
    moments = curve.start_s + KNOT_S * np.arange(len(curve.new_s))
    inside = (moments > low_s + UNLAID_S) & (moments < high_s - UNLAID_S)
    sure = np.flatnonzero(inside & (curve.sd_s < SURE_SD_S))
    if len(sure) < NEEDED_S / KNOT_S:
        return None
    away_s = curve.new_s - curve.speed_ratio * moments
    first, last = int(sure[0]), int(sure[-1])
    out = away_s.copy()
    for beyond, near in (
        (slice(0, first), sure[moments[sure] < moments[first] + LEARNED_S]),
        (slice(last + 1, None), sure[moments[sure] > moments[last] - LEARNED_S]),
    ):
        slope, level = np.polyfit(moments[near] - moments[near].mean(), away_s[near], 1)
        out[beyond] = level + slope * (moments[beyond] - moments[near].mean())
    return np.asarray(out + curve.speed_ratio * moments, np.float64)


def _moment(
    old: AudioSource, new: AudioSource, jump: Jump, moments: Floats, before: Floats, after: Floats
) -> float:
    """The moment up to which the sound is as one side goes on, and from which as the other."""
    start_s, stop_s = max(0.0, jump.at_s - UNLAID_S), min(old.format.length_s, jump.at_s + UNLAID_S)
    ruler, ruler_s = read_span(old, start_s, stop_s, NEAR_HZ)
    at_s = ruler_s + np.arange(len(ruler)) / NEAR_HZ
    loose_s = float(np.clip(LOOSE_SHARE * abs(jump.length_s), LEAST_LOOSE_S, MOST_LOOSE_S))
    correlations = []
    for rough in (before, after):
        times = np.interp(at_s, moments, rough)
        played, played_s = read_span(new, times.min() - 0.1, times.max() + 0.1, NEAR_HZ)
        correlations.append(_best_correlation(ruler, read_at(played, (times - played_s) * NEAR_HZ), loose_s))
    first, second = (np.concatenate([[0.0], np.cumsum(one)]) for one in correlations)
    window = int(np.argmax(first + second[-1] - second))
    return float(np.clip(ruler_s + WINDOW_S / 2 + window * HOP_S, start_s, stop_s))


def _best_correlation(old: Floats, new: Floats, loose_s: float) -> Floats:
    """(windows,) the best correlation of what rises and falls fast in both (mono), within so much of each other."""
    first, second = (np.diff(side.mean(axis=1), prepend=0.0) for side in (old, new))
    size, hop, reach = (round(span_s * NEAR_HZ) for span_s in (WINDOW_S, HOP_S, loose_s))
    best = np.zeros(max(0, (len(first) - size) // hop + 1))

    def summed(values: Floats) -> Floats:
        sums = np.concatenate([[0.0], np.cumsum(values)])
        return (sums[size:] - sums[:-size])[::hop][: len(best)]

    scale = summed(np.square(first)) * summed(np.square(second)) + 1e-20
    for shift in range(-reach, reach + 1):
        best = np.maximum(best, np.abs(summed(first * np.roll(second, shift))) / np.sqrt(scale))
    return best
