"""Finding and mending the impulses of a stretch of a take: candidates, evidence, estimate, twice.

Conventions: planes are (channels, frames) contiguous float64, a piece of a take with context on both sides. All
positions are frames of the plane. ``stretch`` is 1 at 44.1 and 48 kHz, 2 at 96, 4 at 192: orders and reaches in
frames grow with it. Big impulses hide small ones and spoil the predictor fitted over them, so everything near
a mended place is looked at a second time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp import click_weights as weights
from sidekeep.dsp.click import CELL, find_bursts, find_candidates, find_errors, find_scale, fit_predictors
from sidekeep.dsp.click_evidence import LONGEST_PERIOD, judge_candidates
from sidekeep.dsp.estimate import estimate_spans
from sidekeep.dsp.estimate_pair import estimate_pairs, lengthen_spans

Floats = NDArray[np.float64]
Taken = dict[int, tuple[int, int, float]]
"""Spans by first frame: (last + 1, frame of the peak, size in scales)."""
Due = tuple[float, float, float, int]
"""Where the turn of the disc expects a click: frame, half width in frames, log odds, walls (1 left, 2 right)."""

HOP = 1024
CONTEXT = 1024
GROW_AT = 2.5
LONGEST_S = 0.004
BURST_S = 0.04
EARLY_ROUNDS, ROUNDS = 3, 8
LENGTHEN_SIZE = 18.0
"""Scales from which a span is tried at greater lengths."""
LEAST_EVIDENCE = 12.0
"""Nats a repair must explain of the two-sided error, or it is taken back."""
PRIOR_LIMIT = 3.0
"""Nats the share of damage in the stretch may move the odds, either way."""
EXT, EXTL = 3.0, 0.8
BESIDE, BESIDE_SIZE, BESIDE_BEFORE_S, BESIDE_AFTER_S = 3.0, 8.0, 0.0003, 0.0015
DUE_LIMIT = 4.0
"""Nats the turn of the disc may add."""
TRAINED = math.log(weights.TRAINED_SHARE / (1.0 - weights.TRAINED_SHARE))


@dataclass(frozen=True, kw_only=True)
class Manner:
    """How readily is mended: test level for a candidate, in scales, and log odds for a repair."""

    open_at: float
    odds: float


@dataclass(frozen=True, kw_only=True)
class Repaired:
    """A mended span of one channel, or with ``values`` None one that is too long to mend."""

    channel: int
    start: int
    length: int
    peak: int
    size_db: float
    values: Floats | None


class Channel:
    """One channel on its way: what is mended so far, predictors and errors."""

    def __init__(self, working: Floats, stretch: int) -> None:
        length = len(working)
        self.working = working
        self.stretch = stretch
        self.order = order_for(stretch)
        self.hop = HOP * stretch
        hops = -(-length // self.hop)
        self.models = np.empty((hops, self.order + 1))
        self.errors = np.zeros((3, length))
        self.scale = np.empty(-(-length // CELL))
        self.stale = np.ones(hops, dtype=np.bool_)
        self.spans = np.empty((0, 3), dtype=np.int64)
        self.tests = np.empty(0)
        self.odds = np.empty(0)

    def look(self, open_at: float) -> None:
        """Refresh what is stale and list the candidates there."""
        fit_predictors(self.working, self.hop, self.order, self.stale, self.models)
        find_errors(
            self.working, self.hop, self.models, self.stale, self.errors[0], self.errors[1], self.errors[2]
        )
        find_scale(self.errors[0], self.scale)
        spans = np.empty((len(self.working) // 4, 3), dtype=np.int64)
        tests = np.empty(len(spans))
        count = find_candidates(
            self.errors[0],
            self.errors[1],
            self.errors[2],
            self.scale,
            self.models,
            self.hop,
            open_at,
            GROW_AT,
            self.stretch,
            spans,
            tests,
        )
        fresh = self.stale[spans[:count, 2] // self.hop]
        self.spans = np.ascontiguousarray(spans[:count][fresh])
        self.tests = np.ascontiguousarray(tests[:count][fresh])
        self.stale[:] = False

    def judge(self, other: Floats) -> None:
        """Weigh the evidence of each candidate."""
        self.odds = np.empty(len(self.spans))
        stereo = len(other) > 0
        judge_candidates(
            self.working,
            other,
            self.errors,
            self.scale,
            CELL,
            self.models,
            self.hop,
            self.spans,
            self.tests,
            len(self.spans),
            self.stretch,
            *(_STEREO if stereo else _MONO),
            self.odds,
        )

    def mark_stale(self, spans: NDArray[np.int64]) -> None:
        """Hops whose predictor or errors see a changed span."""
        for first, last in spans[:, :2]:
            low = (first - self.order - self.hop // 2 - 1) // self.hop
            high = (last + self.order + self.hop // 2 + 1) // self.hop
            self.stale[max(0, low) : high + 1] = True


_STEREO = (
    weights.STEREO_CENTRE,
    weights.STEREO_SPREAD,
    weights.STEREO_HIDDEN,
    weights.STEREO_BIAS,
    weights.STEREO_OUT,
)
_MONO = (weights.MONO_CENTRE, weights.MONO_SPREAD, weights.MONO_HIDDEN, weights.MONO_BIAS, weights.MONO_OUT)


def order_for(stretch: int) -> int:
    """Predictor order: 32 at 44.1 and 48 kHz, 48 at 96, 64 above."""
    return min(64, 16 + 16 * stretch)


def share_shift(odds: Floats) -> float:
    """Nats to add to log odds so that they fit the share of damage among these candidates.

    Saerens, Latinne & Decaestecker, Neural Computation 14(1), 2002 (from memory): the prior is re-estimated by
    expectation-maximisation from the classifier's own outputs.
    """
    if not len(odds):
        return 0.0
    shift = 0.0
    for _ in range(12):
        likely = 1.0 / (1.0 + np.exp(-np.clip(odds + shift, -30.0, 30.0)))
        share = (float(likely.sum()) + 0.05) / (len(odds) + 1.0)
        shift = min(PRIOR_LIMIT, max(-PRIOR_LIMIT, math.log(share / (1.0 - share)) - TRAINED))
    return shift


def mend_channels(
    planes: Floats, stretch: int, rate_hz: int, manner: Manner, due: list[Due], start: int, stop: int
) -> list[Repaired]:
    """Mend a stretch; what was changed in spans that start in ``[start, stop)``, in order."""
    work = planes.copy()
    channels = [Channel(plane, stretch) for plane in work]
    if planes.shape[1] < 8 * channels[0].order:
        return []
    # at the ends of a take there is not the context to tell a tone from a click
    edge = (2 * LONGEST_PERIOD + 64) * stretch
    longest = int(LONGEST_S * rate_hz)
    taken: list[Taken] = [{} for _ in channels]
    long: list[Repaired] = []
    shift = 0.0
    for again in range(2):
        for channel in channels:
            channel.look(manner.open_at)
        for index, channel in enumerate(channels):
            channel.judge(channels[1 - index].working if len(channels) == 2 else np.empty(0))
        if not again:
            long += _find_long(channels, longest, int(BURST_S * rate_hz), start, stop)
            shift = share_shift(np.concatenate([channel.odds for channel in channels]))
        fresh: list[set[int]] = [set() for _ in channels]
        for index, channel in enumerate(channels):
            odds = channel.odds + shift + _due_bonus(channel.spans, due, index)
            if again:
                odds += _beside_bonus(channel.spans, taken[index], rate_hz)
            for row in np.flatnonzero(odds > manner.odds):
                first, last, peak = (int(v) for v in channel.spans[row])
                size = float(channel.tests[row])
                if last - first > longest or any(r.start < last and r.start + r.length > first for r in long):
                    if start <= first < stop and not again and last - first > longest:
                        long.append(_too_long(index, first, last, peak))
                    continue
                if first < edge or last > planes.shape[1] - edge:
                    continue
                before, after = _room(last - first, size, stretch)
                first = max(edge, first - before)
                last = min(planes.shape[1] - edge, last + after, first + longest)
                if last > first:
                    fresh[index].add(_merge(taken[index], first, last, peak, size, longest))
        if any(fresh):
            if again:
                chosen = [{f: own[f] for f in new if f in own} for own, new in zip(taken, fresh, strict=True)]
            else:
                _lengthen(channels, planes, work, taken, longest)
                chosen = taken
            spans, walls = _pairs(chosen, longest)
            _estimate(channels, planes, work, spans, walls, EARLY_ROUNDS)
            for channel in channels:
                channel.mark_stale(spans)
    repaired = long
    spans, walls = _pairs(taken, longest)
    if not len(spans):
        return repaired
    explained = _estimate(channels, planes, work, spans, walls, ROUNDS)
    for (first, last), wall, nats in zip(spans.tolist(), walls, explained, strict=True):
        if not start <= first < stop or nats < LEAST_EVIDENCE:
            continue
        for index in range(len(channels)):
            values = work[index, first:last]
            if not wall & (1 << index) or np.array_equal(values, planes[index, first:last]):
                continue
            inside = [t for f, t in taken[index].items() if f < last and t[0] > first]
            _, peak, size = max(inside, key=lambda t: t[2]) if inside else (0, first, manner.open_at)
            repaired.append(
                Repaired(
                    channel=index,
                    start=first,
                    length=last - first,
                    peak=peak,
                    size_db=20.0 * math.log10(size),
                    values=values.copy(),
                )
            )
    repaired.sort(key=lambda r: (r.start, r.channel))
    return repaired


def _merge(taken: Taken, first: int, last: int, peak: int, size: float, longest: int) -> int:
    """Put a span among those already taken, joined to what it touches; its first frame is returned."""
    for other in [o for o in taken if o <= last and taken[o][0] >= first]:
        stop, other_peak, other_size = taken[other]
        if max(last, stop) - min(first, other) > longest:
            # too long together: side by side
            if other < first:
                first = max(first, stop)
            else:
                last = min(last, other)
            continue
        del taken[other]
        first, last = min(first, other), max(last, stop)
        if other_size > size:
            peak, size = other_peak, other_size
    if last > first:
        taken[first] = (last, peak, size)
    return first


def _pairs(taken: list[Taken], longest: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Spans (first, last) over all channels in order, and their walls as bits; overlapping ones become one."""
    rows = sorted(
        (first, t[0], 1 << index) for index, spans in enumerate(taken) for first, t in spans.items()
    )
    spans: list[list[int]] = []
    for first, last, wall in rows:
        if spans and first < spans[-1][1]:
            if max(last, spans[-1][1]) - spans[-1][0] <= longest:
                spans[-1][1] = max(last, spans[-1][1])
                spans[-1][2] |= wall
                continue
            first = spans[-1][1]
        if last > first:
            spans.append([first, last, wall])
    table = np.array(spans, dtype=np.int64).reshape(-1, 3)
    return np.ascontiguousarray(table[:, :2]), np.ascontiguousarray(table[:, 2])


def _estimate(
    channels: list[Channel],
    observed: Floats,
    work: Floats,
    spans: NDArray[np.int64],
    walls: NDArray[np.int64],
    rounds: int,
) -> Floats:
    """Mend the spans in ``work``, in order; the evidence of each, in nats."""
    explained = np.empty(len(spans))
    stretch, order = channels[0].stretch, channels[0].order
    if len(channels) == 2:
        estimate_pairs(observed, work, spans, walls, CONTEXT * stretch, order, rounds, stretch, explained)
    else:
        estimate_spans(
            observed[0], work[0], spans, len(spans), CONTEXT * stretch, order, rounds, stretch, explained
        )
    return explained


def _lengthen(
    channels: list[Channel], observed: Floats, work: Floats, taken: list[Taken], longest: int
) -> None:
    """Give the large ones among the taken spans the length the evidence wants."""
    spans, walls = _pairs(taken, longest)
    sizes = np.zeros(len(spans))
    for row, (first, last) in enumerate(spans.tolist()):
        sizes[row] = max(
            (t[2] for own in taken for f, t in own.items() if f < last and t[0] > first), default=0.0
        )
    old = spans[:, 1].copy()
    stretch, order = channels[0].stretch, channels[0].order
    lengthen_spans(
        observed, work, spans, walls, sizes, LENGTHEN_SIZE, longest, CONTEXT * stretch, order, stretch
    )
    for row in np.flatnonzero(spans[:, 1] > old).tolist():
        first, last = int(spans[row, 0]), int(spans[row, 1])
        for index, own in enumerate(taken):
            if walls[row] & (1 << index):
                held = [(t[2], t[1]) for f, t in own.items() if f < last and t[0] > first]
                size, peak = max(held, default=(sizes[row], first))
                _merge(own, first, last, peak, float(size), longest)


def _find_long(channels: list[Channel], longest: int, most: int, start: int, stop: int) -> list[Repaired]:
    """Bursts longer than can be mended, once each."""
    found: list[Repaired] = []
    # a long burst spoils the predictor of its own hop: second differences do not have one
    rough = [np.diff(channel.working, 2, append=np.zeros(2)) for channel in channels]
    for index in range(len(channels)):
        other = rough[1 - index] if len(channels) == 2 else np.empty(0)
        spans = np.empty((64, 2), dtype=np.int64)
        count = find_bursts(rough[index], other, longest, most, spans)
        for first, last in spans[:count].tolist():
            if start <= first < stop:
                found.append(_too_long(index, first, last, first))
    return found


def _too_long(channel: int, first: int, last: int, peak: int) -> Repaired:
    return Repaired(channel=channel, start=first, length=last - first, peak=peak, size_db=0.0, values=None)


def _room(length: int, size: float, stretch: int) -> tuple[int, int]:
    """Frames to add before and after a grown span: the tail of a large pulse sinks under the errors early."""
    octaves = max(0.0, math.log2(size / 4.0))
    more = EXT * octaves * stretch + EXTL * max(0, length - 8 * stretch) * min(1.0, octaves)
    return stretch, stretch + int(more)


def _beside_bonus(spans: NDArray[np.int64], taken: Taken, rate_hz: int) -> Floats:
    """Nats for candidates close behind (or just before) a large mended place: what is left of it."""
    bonus = np.zeros(len(spans))
    for first, (last, _, size) in taken.items():
        if size > BESIDE_SIZE:
            near = spans[:, 1] > first - BESIDE_BEFORE_S * rate_hz
            near &= spans[:, 0] < last + BESIDE_AFTER_S * rate_hz
            bonus[near] = BESIDE
    return bonus


def _due_bonus(spans: NDArray[np.int64], due: list[Due], channel: int) -> Floats:
    """Nats for candidates where a scratch is expected on this wall."""
    bonus = np.zeros(len(spans))
    for frame, wide, odds, walls in due:
        if walls & (1 << channel):
            near = np.abs(spans[:, 2] - frame) <= wide
            bonus[near] = np.maximum(bonus[near], min(DUE_LIMIT, max(0.0, odds + DUE_LIMIT)))
    return bonus
