"""The curve along which one take lies on another, found block by block from a rough one (``dsp.alignment.fine``).

Knots are 5 ms apart; blocks of half a minute overlap and are faded into each other. Memory does not grow with the length but for
the curve itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.fine import (
    BEND_S,
    KNOT_S,
    NEAR_HOP_S,
    NEAR_WINDOW_S,
    Refiner,
    near_delays,
    smooth_curve,
)
from sidekeep.dsp.alignment.sinc import read_at
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.dsp.output.resample import resample
from sidekeep.flow.comparison.laying.reading import read_span
from sidekeep.flow.ports import Audio, AudioSource

Floats = NDArray[np.float64]

FINE_HZ = 24_000
"""The rate of the fine alignment: what two plays share above 12 kHz adds nothing to it."""
NEAR_HZ = 6_000
"""Holds the band of ``near_delays`` with room."""
BLOCK_S, MARGIN_S = 30.0, 1.5
NEAR_REACH_S = 0.045
"""What wow, drift and the rough line may leave: windows of onsets are 10 ms, wow of 0.5 % at 33 1/3 moves 1.4 ms, the rest is
for drift."""
PASSES = ((6_000, 1500.0, 4.0), (12_000, 5000.0, 2.0), (24_000, 10500.0, 1.0), (24_000, 10500.0, 1.0))
"""(rate, highest frequency, how much more than usual the curve may bend) of each pass: the delay left must be under a quarter
of a period, so the band grows as the curve gets closer; each goes at the lowest rate that holds its band."""
LEAST_CLEAR = 0.25
"""A correlation below this is what noise and hum show (0 to 0.2 in gaps and run-outs, 0.5 to 1 in music)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LaidCurve:
    """A curve found, and the polarity of each block: signs of the sums and of the differences of the channels, 0 where they
    hold nothing."""

    curve: TimeMap
    middle_signs: tuple[float, ...]
    side_signs: tuple[float, ...]


def lay_curve(
    old: AudioSource, new: AudioSource, first_knot: int, rough_s: Floats, done: Callable[[float], None]
) -> LaidCurve:
    """The curve from knot ``first_knot`` on; ``rough_s`` (knots,) are times in the new take, near enough for
    ``NEAR_REACH_S``. ``done`` is told the share that is."""
    knots = len(rough_s)
    moments: Floats = (first_knot + np.arange(knots, dtype=np.float64)) * KNOT_S
    found, weight, variance = (np.zeros(knots) for _ in range(3))
    signs: list[tuple[float, float]] = []
    spans = list(_spans(knots))
    with ThreadPoolExecutor(2, thread_name_prefix="align") as pool:
        jobs = [
            pool.submit(_align_block, old, new, moments[low:high], rough_s[low:high]) for low, high in spans
        ]
        for number, ((low, high), job) in enumerate(zip(spans, jobs, strict=True)):
            block = job.result()
            fade = _fade(high - low)
            found[low:high] += fade * block.new_s
            weight[low:high] += fade
            variance[low:high] += fade * np.square(block.sd_s)
            signs.append((block.middle_sign, block.side_sign))
            done((number + 1) / len(spans))
    return LaidCurve(
        curve=TimeMap(
            start_s=float(moments[0]), step_s=KNOT_S, new_s=found / weight, sd_s=np.sqrt(variance / weight)
        ),
        middle_signs=tuple(middle for middle, _ in signs),
        side_signs=tuple(side for _, side in signs),
    )


def _spans(knots: int) -> Iterator[tuple[int, int]]:
    """Blocks of knots that overlap by the margin on both sides."""
    size, margin = round(BLOCK_S / KNOT_S), round(MARGIN_S / KNOT_S)
    for start in range(0, max(1, knots), size):
        yield max(0, start - margin), min(knots, start + size + margin)
        if start + size + margin >= knots:
            return


def _fade(count: int) -> Floats:
    """Weight of a block's knots: less towards its ends, never nothing."""
    margin = round(2 * MARGIN_S / KNOT_S)
    index = np.arange(count)
    edge = np.minimum(index, count - 1 - index) / margin
    return np.clip(edge, 1e-3, 1.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Block:
    new_s: Floats
    sd_s: Floats
    middle_sign: float
    side_sign: float


def _two_channels(audio: Audio) -> Audio:
    return audio if audio.shape[1] == 2 else np.repeat(audio, 2, axis=1)


def _align_block(old: AudioSource, new: AudioSource, moments: Floats, rough_s: Floats) -> _Block:
    """The curve over one block, from the roughest to the last pass."""
    ruler, ruler_s = read_span(old, moments[0], moments[-1] + KNOT_S, FINE_HZ)
    played, played_s = read_span(
        new, rough_s.min() - 2 * NEAR_REACH_S, rough_s.max() + 2 * NEAR_REACH_S, FINE_HZ
    )
    ruler, played = _two_channels(ruler), _two_channels(played)
    first = round((moments[0] - ruler_s) * FINE_HZ)
    count = round(KNOT_S * FINE_HZ) * len(moments)
    ruler = ruler[first : first + count]
    if len(ruler) < count:
        ruler = np.concatenate([ruler, np.zeros((count - len(ruler), 2))])
    curve = TimeMap(start_s=float(moments[0]), step_s=KNOT_S, new_s=rough_s, sd_s=np.zeros(len(moments)))
    at_rate: dict[int, tuple[Audio, ...]] = {FINE_HZ: (ruler, played)}
    for rate_hz in {rate for rate, _, _ in PASSES} - {FINE_HZ}:
        at_rate[rate_hz] = tuple(
            resample(side, rate_hz=FINE_HZ, new_rate_hz=rate_hz) for side in (ruler, played)
        )

    def laid(curve: TimeMap, rate_hz: int) -> Audio:
        per_knot = round(KNOT_S * rate_hz)
        return read_at(at_rate[rate_hz][1], (curve.dense(per_knot) - played_s) * rate_hz)

    # half a minute in which a curve of 10 Hz is found by correlation, then smoothed on the knots
    low_old, low_new = (side.mean(axis=1) for side in (at_rate[NEAR_HZ][0], laid(curve, NEAR_HZ)))
    delays, clear, sign = near_delays(low_old, low_new, NEAR_HZ, NEAR_REACH_S)
    if len(delays):
        places = np.rint((NEAR_WINDOW_S / 2 + NEAR_HOP_S * np.arange(len(delays))) / KNOT_S).astype(int)
        places = np.minimum(places, len(moments) - 1)
        top, bottom = np.zeros(len(moments)), np.zeros(len(moments))
        certainty = np.square(np.maximum(clear - LEAST_CLEAR, 0.0)) / 1e-4**2
        np.add.at(top, places, certainty * delays)
        np.add.at(bottom, places, certainty)
        near, _ = smooth_curve(top, bottom, 1.0 / (1e-7) ** 2)
        curve = TimeMap(start_s=curve.start_s, step_s=KNOT_S, new_s=curve.new_s + near, sd_s=curve.sd_s)
    middle_sign, side_sign = _signs(at_rate[NEAR_HZ][0], laid(curve, NEAR_HZ))
    refiners: dict[int, Refiner] = {}
    for rate_hz, highest_hz, bends in PASSES:
        if rate_hz not in refiners:
            refiners = {rate_hz: Refiner(_sum_and_difference(at_rate[rate_hz][0]), rate_hz)}
        crossed = _sum_and_difference(laid(curve, rate_hz), middle_sign or 1.0, side_sign or 1.0)
        better = refiners[rate_hz].refine(crossed, highest_hz=highest_hz, bend_s=bends * BEND_S)
        curve = TimeMap(
            start_s=curve.start_s, step_s=KNOT_S, new_s=curve.new_s + better.delay_s, sd_s=better.sd_s
        )
    return _Block(
        new_s=curve.new_s,
        sd_s=curve.sd_s,
        middle_sign=middle_sign or sign,
        side_sign=side_sign or sign,
    )


def _sum_and_difference(audio: Audio, middle_sign: float = 1.0, side_sign: float = 1.0) -> Audio:
    """(frames, 2): left plus right, left minus right; each with a sign."""
    left, right = audio[:, 0], audio[:, 1]
    return np.stack([middle_sign * (left + right), side_sign * (left - right)], axis=1)


def _signs(old: Audio, new: Audio) -> tuple[float, float]:
    """Sign of the correlation of the sums, and of the differences of the channels (0 when they hold nothing)."""
    first, second = _sum_and_difference(old), _sum_and_difference(new)
    scale = np.sqrt(np.square(first).sum(axis=0) * np.square(second).sum(axis=0))
    correlation = (first * second).sum(axis=0) / np.maximum(scale, 1e-30)
    signs = np.where((scale < 1e-20) | (np.abs(correlation) < 0.1), 0.0, np.sign(correlation))
    return float(signs[0]), float(signs[1])
