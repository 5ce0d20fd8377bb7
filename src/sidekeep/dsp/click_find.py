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
from sidekeep.dsp.click import CELL, find_candidates, find_errors, find_scale, fit_predictors
from sidekeep.dsp.click_evidence import judge_candidates
from sidekeep.dsp.estimate import estimate_spans

Floats = NDArray[np.float64]
Due = tuple[float, float, float, int]
"""Where the turn of the disc expects a click: frame, half width in frames, log odds, walls (1 left, 2 right)."""

HOP = 1024
CONTEXT = 1024
GROW_AT = 2.5
LONGEST_S = 0.004
EARLY_ROUNDS, ROUNDS = 4, 8
LEAST_EVIDENCE = 9.0
"""Nats a repair must explain of the two-sided error, or it is taken back."""
PRIOR_LIMIT = 3.0
"""Nats the share of damage in the stretch may move the odds, either way."""
EXT, EXTL = 6.0, 0.5
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
    """One channel on its way: the take, the mended version, predictors and errors."""

    def __init__(self, observed: Floats, stretch: int) -> None:
        length = len(observed)
        self.observed = observed
        self.working = observed.copy()
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

    def estimate(self, spans: NDArray[np.int64], rounds: int) -> Floats:
        """Mend the spans in order; the evidence of each, in nats."""
        explained = np.empty(len(spans))
        estimate_spans(
            self.observed,
            self.working,
            spans,
            len(spans),
            CONTEXT * self.stretch,
            self.order,
            rounds,
            self.stretch,
            explained,
        )
        return explained

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
    channels = [Channel(plane, stretch) for plane in planes]
    if planes.shape[1] < 8 * channels[0].order:
        return []
    longest = int(LONGEST_S * rate_hz)
    taken: list[dict[int, tuple[int, int, float]]] = [{} for _ in channels]
    long: list[Repaired] = []
    shift = 0.0
    for again in range(2):
        for channel in channels:
            channel.look(manner.open_at)
        for index, channel in enumerate(channels):
            channel.judge(channels[1 - index].working if len(channels) == 2 else np.empty(0))
        if not again:
            shift = share_shift(np.concatenate([channel.odds for channel in channels]))
        for index, channel in enumerate(channels):
            odds = channel.odds + shift + _due_bonus(channel.spans, due, index)
            if again:
                odds += _beside_bonus(channel.spans, taken[index], rate_hz)
            chosen = np.flatnonzero(odds > manner.odds)
            edge = 2 * channel.order
            fresh = []
            for row in chosen:
                first, last, peak = (int(v) for v in channel.spans[row])
                before, after = _room(last - first, float(channel.tests[row]), stretch)
                first, last = max(edge, first - before), min(planes.shape[1] - edge, last + after)
                if last - first > longest:
                    if start <= first < stop and not again:
                        long.append(_too_long(index, first, last, peak))
                    continue
                if last - first < 1:
                    continue
                first, last, peak, size = _merge(
                    taken[index], first, last, peak, float(channel.tests[row]), longest
                )
                fresh.append((first, last))
            if fresh:
                spans = np.array(
                    [s for s in sorted(set(fresh)) if taken[index].get(s[0], (0,))[0] == s[1]], dtype=np.int64
                ).reshape(-1, 2)
                channel.estimate(spans, EARLY_ROUNDS)
                channel.mark_stale(spans)
    repaired = long
    for index, channel in enumerate(channels):
        if not taken[index]:
            continue
        rows = sorted((first, *rest) for first, rest in taken[index].items())
        spans = np.array([row[:2] for row in rows], dtype=np.int64)
        explained = channel.estimate(spans, ROUNDS)
        for (first, last, peak, size), nats in zip(rows, explained, strict=True):
            if not start <= first < stop or nats < LEAST_EVIDENCE:
                continue
            repaired.append(
                Repaired(
                    channel=index,
                    start=first,
                    length=last - first,
                    peak=peak,
                    size_db=20.0 * math.log10(size),
                    values=channel.working[first:last].copy(),
                )
            )
    repaired.sort(key=lambda r: (r.start, r.channel))
    return repaired


def _merge(
    taken: dict[int, tuple[int, int, float]], first: int, last: int, peak: int, size: float, longest: int
) -> tuple[int, int, int, float]:
    """Put a span among those already taken, joined to what it touches."""
    for other in [o for o in taken if o <= last and taken[o][0] >= first]:
        stop, other_peak, other_size = taken[other]
        if max(last, stop) - min(first, other) > longest:
            # too long together: keep them side by side
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
    return first, last, peak, size


def _room(length: int, size: float, stretch: int) -> tuple[int, int]:
    """Frames to add before and after a grown span: the tail of a large pulse sinks under the errors early."""
    octaves = max(0.0, math.log2(size / 4.0))
    return stretch, int(stretch * (1.0 + EXT * octaves) + EXTL * length * min(1.0, octaves))


def _beside_bonus(spans: NDArray[np.int64], taken: dict[int, tuple[int, int, float]], rate_hz: int) -> Floats:
    """Nats for candidates close behind (or just before) a large mended place: what is left of it."""
    bonus = np.zeros(len(spans))
    for first, (last, _, size) in taken.items():
        if size > BESIDE_SIZE:
            near = (spans[:, 1] > first - BESIDE_BEFORE_S * rate_hz) & (
                spans[:, 0] < last + BESIDE_AFTER_S * rate_hz
            )
            bonus[near] = BESIDE
    return bonus


def _too_long(channel: int, first: int, last: int, peak: int) -> Repaired:
    return Repaired(channel=channel, start=first, length=last - first, peak=peak, size_db=0.0, values=None)


def _due_bonus(spans: NDArray[np.int64], due: list[Due], channel: int) -> Floats:
    """Nats for candidates where a scratch is expected on this wall."""
    bonus = np.zeros(len(spans))
    for frame, wide, odds, walls in due:
        if walls & (1 << channel):
            near = np.abs(spans[:, 2] - frame) <= wide
            bonus[near] = np.maximum(bonus[near], min(DUE_LIMIT, max(0.0, odds + DUE_LIMIT)))
    return bonus
