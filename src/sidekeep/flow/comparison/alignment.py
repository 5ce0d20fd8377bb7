"""Two takes of one side laid on each other over their whole length: offset, speed, drift, wow.

The old take is the ruler. One pass over both finds the line they lie on (``dsp.alignment.rough``) or that they are
different recordings; a second goes through them in blocks of half a minute and finds the curve (``dsp.alignment.fine``)
on knots 5 ms apart. Both work at a low common rate; memory does not grow with the length but for the curve itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

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
from sidekeep.dsp.alignment.rough import FEATURE_HZ, OnsetFeatures, RoughLine, follow, rough_line
from sidekeep.dsp.alignment.sinc import read_at
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.dsp.output.resample import Resampler, resample
from sidekeep.errors import ParameterError
from sidekeep.flow.comparison.channels import OneInverted
from sidekeep.flow.comparison.condition import Condition, ConditionMeter
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.ports import Audio, AudioSource, Progress, no_progress

Floats = NDArray[np.float64]

FINE_HZ = 24_000
"""The rate of the fine alignment: what two plays share above 12 kHz adds nothing to it."""
NEAR_HZ = 6_000
BLOCK_S, MARGIN_S = 30.0, 1.5
NEAR_REACH_S = 0.045
PASSES = ((6_000, 1500.0, 4.0), (12_000, 5000.0, 2.0), (24_000, 10500.0, 1.0), (24_000, 10500.0, 1.0))
"""(rate, highest frequency, how much more than usual the curve may bend) of each pass: the delay left must be under a quarter
of a period, so the band grows as the curve gets closer; each goes at the lowest rate that holds its band."""
LEAST_CLEAR = 0.25
"""A correlation below this is what noise and hum show (0 to 0.2 in gaps and run-outs, 0.5 to 1 in music)."""
FEED_FRAMES = 131072


@dataclass(frozen=True, kw_only=True, eq=False)
class Alignment:
    """How two takes lie on each other. ``sign`` is -1 when one is of inverted polarity, ``inverted`` the channel of the new
    take that alone is inverted (before ``sign``), ``is_swapped`` when left and right changed places; ``sd_s`` typical
    deviation of the curve where there is music; ``curve`` None when the takes are not the same cutting; ``conditions`` what
    else the first reading told of the old take and the new one."""

    line: RoughLine
    curve: TimeMap | None
    sign: float = 1.0
    inverted: int | None = None
    is_swapped: bool = False
    sd_s: float = float("inf")
    conditions: tuple[Condition, Condition] | None = None

    @property
    def dead_channel(self) -> int | None:
        """The channel that is silent on one of two stereo takes, or on both."""
        found = [one.dead_channel for one in self.conditions or ()]
        return next((channel for channel in found if channel is not None), None)

    @property
    def is_same(self) -> bool:
        """Whether both takes hold the same cutting."""
        return self.curve is not None


def align_takes(old: AudioSource, new: AudioSource, progress: Progress = no_progress) -> Alignment:
    """Lay ``new`` on ``old``; other rate, speed, start, level, polarity and length allowed. Raises ``ParameterError`` for more
    than two channels."""
    for source in (old, new):
        if source.format.channels > 2:
            raise ParameterError("take-of-many-channels", channels=source.format.channels)
    with ThreadPoolExecutor(2, thread_name_prefix="align") as pool:
        meters = [ConditionMeter(source.format) for source in (old, new)]
        rate_hz = onset_rate(old, new)
        first = pool.submit(onset_features, old, rate_hz, meters[0].process)
        features_new = onset_features(new, rate_hz, meters[1].process)
        features_old = first.result()
    conditions = meters[0].finish(), meters[1].finish()
    progress(0.25, "comparing the onsets")
    line = rough_line(features_old, features_new)
    if not line.is_same:
        return Alignment(line=line, curve=None, conditions=conditions)
    drift = follow(features_old, features_new, line)
    progress(0.3, "laying the takes on each other")
    inverted = inverted_channel(old, new, line, drift)
    found = _fine(old, new if inverted is None else OneInverted(new, inverted), line, drift, progress)
    return replace(found, inverted=inverted, conditions=conditions)


def onset_rate(*sources: AudioSource) -> int:
    """The rate at which the onsets of all these takes are told: one for all, since windows and bands depend on it."""
    lowest_hz = min(source.format.rate_hz for source in sources)
    return min(FINE_HZ, lowest_hz - lowest_hz % FEATURE_HZ)


def onset_features(source: AudioSource, rate_hz: int, also: Callable[[Audio], None] | None = None) -> Floats:
    """(windows, bands) of a whole take, told at ``rate_hz`` (``onset_rate``); every block is given to ``also`` too."""
    form = source.format
    step = Resampler(form.rate_hz, rate_hz, 1)
    features = OnsetFeatures(rate_hz)
    for block in source.blocks(FEED_FRAMES):
        numbers = numbers_only(block)
        if also is not None:
            also(numbers)
        features.process(step.process(numbers.mean(axis=1, keepdims=True))[:, 0])
    features.process(step.flush()[:, 0])
    return features.finish()


def inverted_channel(old: AudioSource, new: AudioSource, line: RoughLine, drift: Floats) -> int | None:
    """The right channel (1) when one channel of the new stereo take has the polarity of the old one and the other has not.

    Half a minute from the middle of what both hold, each channel laid on its like; where they hold nothing in common (left and
    right in each other's places, or one of them silent) nothing is said.
    """
    if old.format.channels != 2 or new.format.channels != 2:
        return None
    low_s = max(0.0, -line.offset_s / line.speed_ratio)
    high_s = min(old.format.length_s, (new.format.length_s - line.offset_s) / line.speed_ratio)
    if line.cut is not None:
        low_s, high_s = max(low_s, line.cut.start_s), min(high_s, line.cut.stop_s)
    start_s = max(low_s, 0.5 * (low_s + high_s) - BLOCK_S / 2)
    stop_s = min(high_s, start_s + BLOCK_S)
    ruler, ruler_s = read_span(old, start_s, stop_s, NEAR_HZ)
    at_s = ruler_s + np.arange(len(ruler)) / NEAR_HZ
    new_s = line.offset_s + line.speed_ratio * at_s
    if len(drift):
        new_s = new_s + np.interp(at_s, np.arange(len(drift)) / FEATURE_HZ, drift)
    played, played_s = read_span(new, new_s.min() - 0.1, new_s.max() + 0.1, NEAR_HZ)
    laid = read_at(played, (new_s - played_s) * NEAR_HZ)
    signs = []
    for channel in (0, 1):
        _, clear, sign = near_delays(ruler[:, channel], laid[:, channel], NEAR_HZ, NEAR_REACH_S)
        if not len(clear) or float(np.median(clear)) < LEAST_CLEAR + 0.1:
            return None
        signs.append(sign)
    return 1 if signs[0] != signs[1] else None


def read_span(source: AudioSource, start_s: float, stop_s: float, rate_hz: int) -> tuple[Audio, float]:
    """A span at another rate and the second it begins at (a whole one); silence before and after the take."""
    form = source.format
    first, last = int(np.floor(start_s)), int(np.ceil(stop_s))
    low, high = first * form.rate_hz, last * form.rate_hz
    inside = source.read(min(max(low, 0), form.length_frames), min(max(high, 0), form.length_frames))
    span = np.zeros((high - low, form.channels))
    begin = min(max(-low, 0), high - low)
    span[begin : begin + len(inside)] = numbers_only(inside)
    return resample(span, rate_hz=form.rate_hz, new_rate_hz=rate_hz), float(first)


def _two_channels(audio: Audio) -> Audio:
    return audio if audio.shape[1] == 2 else np.repeat(audio, 2, axis=1)


def _fine(
    old: AudioSource, new: AudioSource, line: RoughLine, drift: Floats, progress: Progress
) -> Alignment:
    begin_s = max(0.0, -line.offset_s / line.speed_ratio)
    end_s = min(old.format.length_s, (new.format.length_s - line.offset_s) / line.speed_ratio)
    if line.cut is not None:
        begin_s, end_s = max(begin_s, line.cut.start_s), min(end_s, line.cut.stop_s)
    knots = max(4, int((end_s - begin_s) / KNOT_S))
    first_knot = int(np.ceil(begin_s / KNOT_S))
    moments: Floats = (first_knot + np.arange(knots, dtype=np.float64)) * KNOT_S
    rough_s: Floats = line.offset_s + line.speed_ratio * moments
    if len(drift):
        rough_s = rough_s + np.interp(moments, np.arange(len(drift)) / FEATURE_HZ, drift)
    found = np.zeros(knots)
    weight = np.zeros(knots)
    variance = np.zeros(knots)
    polarity: list[tuple[float, float]] = []
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
            polarity.append((block.middle_sign, block.side_sign))
            progress(0.3 + 0.7 * (number + 1) / len(spans), "laying the takes on each other")
    sd_s = np.sqrt(variance / weight)
    middle = float(np.sum([sign for sign, _ in polarity]))
    side = float(np.sum([sign for _, sign in polarity]))
    curve = TimeMap(start_s=float(moments[0]), step_s=KNOT_S, new_s=found / weight, sd_s=sd_s)
    return Alignment(
        line=line,
        curve=curve,
        sign=-1.0 if middle < 0.0 else 1.0,
        is_swapped=side * middle < 0.0 and abs(side) > 0.5 * len(polarity),
        sd_s=float(np.median(sd_s)),
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
