"""Finding and mending the impulses of a stretch of a take: candidates, evidence, estimate, twice.

Conventions: planes are (channels, frames) contiguous float64, a piece of a take with context on both sides. All
positions are frames of the plane. ``rate_factor`` is 1 at 44.1 and 48 kHz, 2 at 96, 4 at 192: orders and reaches in
frames grow with it. Big impulses hide small ones and spoil the predictor fitted over them, so everything near
a mended place is looked at a second time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.beat_forecast import Beat, Stroke
from sidekeep.dsp.impulses.candidates import (
    CELL,
    calm_share,
    find_bursts,
    find_candidates,
    find_errors,
    find_scale,
    find_tests,
    fit_predictors,
)
from sidekeep.dsp.impulses.damage_spans import DamageSpans, overlap
from sidekeep.dsp.impulses.estimate import estimate_spans
from sidekeep.dsp.impulses.evidence.collect import EVIDENCE, SCREEN_ODDS, collect_evidence, judge_candidates
from sidekeep.dsp.impulses.evidence.repeats import LONGEST_PERIOD
from sidekeep.dsp.impulses.evidence.weights import fitted_weights
from sidekeep.dsp.impulses.extent import PRICE_NATS, fit_extents
from sidekeep.dsp.impulses.peers import DOUBT_WEIGHT, doubted_nats, peer_nats
from sidekeep.dsp.impulses.safety import kept_after_mending, odds_of_rows
from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]
Due = tuple[float, float, float, int]
"""Where the turn of the disc expects a click: frame, half width in frames, log odds, walls (1 left, 2 right)."""

HOP = 1024
CONTEXT = 1024
GROW_AT = 2.5
EDGE = 2 * LONGEST_PERIOD + 64
"""Frames at 48 kHz left alone at the ends of a take: there is not the context to tell a tone from a click."""
LONGEST_S = 0.004
BURST_S = 0.04
EARLY_ROUNDS, ROUNDS = 1, 8
BEFORE, BEFORE_OCTAVE, AFTER, AFTER_OCTAVE = 4, 8, 12, 16
"""Frames at 48 kHz by which a span may grow, and more for every octave of its size over 4 scales."""
LEAST_CALM = 0.3
MARGIN, MARGIN_SHARE = 6, 0.2
"""Frames at 48 kHz added behind the end the evidence wants, and a share of the length; the tail sinks under the errors."""
LEAST_EVIDENCE = 24.0
"""Nats a repair must explain of the two-sided error, or it is taken back."""
PRIOR_DOWN, PRIOR_UP = 7.0, 1.0
"""Nats the share of damage in the stretch may move the odds; crackle is no licence to mend the music beside it."""
DOUBT_DOWN, DOUBT_UP, DOUBT_BELIEF = 5.0, 1.5, 10.0
"""The same for the second judge's odds. In a worn groove it need not doubt; where it doubts most of what the first one lets pass,
it doubts the rest as well; where it is asked less than about ten times in a stretch, it keeps to what it is sure of."""
BESIDE, BESIDE_SIZE, BESIDE_BEFORE_S, BESIDE_AFTER_S = 3.0, 8.0, 0.0003, 0.0015
DUE_LIMIT, DUE_OPEN = 5.0, 3.8
"""Nats the turn of the disc may add, and the test level, in scales, of a candidate where it expects one."""


@dataclass(frozen=True, kw_only=True)
class Manner:
    """How readily is mended: test level for a candidate, in scales, and log odds for a repair."""

    open_at: float
    odds: float


@dataclass(frozen=True, kw_only=True)
class Repaired:
    """A mended span of one channel, or with ``values`` None one that is too long to mend, or doubtful."""

    channel: int
    start: int
    length: int
    peak: int
    size_db: float
    values: Floats | None
    damaged: int = 0
    """Frames of damage in it: fewer than ``length`` where the repair was made at a lower rate."""
    doubtful: bool = False
    """Left as it was; it may be the head of a thump all the same."""


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
        self.errors = np.zeros((2, length))
        self.worth = np.zeros(length)
        self.scale = np.empty(-(-length // CELL))
        self.stale = np.ones(hops, dtype=np.bool_)
        self.spans = np.empty((0, 3), dtype=np.int64)
        self.tests = np.empty(0)
        self.odds = np.empty(0)
        self.doubts = np.empty(0)

    def look(self, open_at: float, due: Sequence[Due] = (), wall: int = 0) -> None:
        """Refresh what is stale and list the candidates there; fainter ones too where a scratch is due on this wall."""
        fit_predictors(self.working, self.hop, self.order, self.stale, self.models)
        find_errors(self.working, self.hop, self.models, self.stale, self.errors[0], self.errors[1])
        find_scale(self.errors[0], self.scale)
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
            min(open_at, DUE_OPEN) if due else open_at,
            GROW_AT,
            self.rate_factor,
            spans,
            tests,
        )
        fresh = self.stale[spans[:count, 2] // self.hop]
        fresh &= (tests[:count] >= open_at) | (due_bonus(spans[:count], due, wall) > 0.0)
        self.spans = np.ascontiguousarray(spans[:count][fresh])
        self.tests = np.ascontiguousarray(tests[:count][fresh])
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
        return calm_share(self.errors[0], self.scale, peaks, CONTEXT * self.rate_factor // CELL, LEAST_CALM)

    def mark_stale(self, spans: NDArray[np.int64]) -> None:
        """Hops whose predictor or errors see a changed span."""
        for first, last in spans[:, :2].tolist():
            low = (first - self.order - self.hop // 2 - 1) // self.hop
            high = (last + self.order + self.hop // 2 + 1) // self.hop
            self.stale[max(0, low) : high + 1] = True


def order_for(rate_factor: int) -> int:
    """Predictor order: 32 at 44.1 and 48 kHz, 48 at 96, 64 above."""
    return min(64, 16 + 16 * rate_factor)


def share_shift(
    odds: Floats, fitted_share: float, down: float, up: float, belief: tuple[float, float] = (0.05, 1.0)
) -> float:
    """Nats to add to log odds so that they fit the share of damage among these candidates, ``-down`` to ``up``.

    Saerens, Latinne & Decaestecker, Neural Computation 14(1), 2002 (from memory): the prior is re-estimated by
    expectation-maximisation from the classifier's own outputs. ``fitted_share`` is the share of damage it was fitted at;
    ``belief`` a share believed beforehand, and how many candidates that is worth.
    """
    if not len(odds):
        return 0.0
    shift, prior = 0.0, math.log(fitted_share / (1.0 - fitted_share))
    for _ in range(12):
        likely = 1.0 / (1.0 + np.exp(-np.clip(odds + shift, -30.0, 30.0)))
        share = (float(likely.sum()) + belief[0] * belief[1]) / (len(odds) + belief[1])
        shift = min(up, max(-down, math.log(share / (1.0 - share)) - prior))
    return shift


def find_shifts(channels: list[Channel]) -> tuple[float, float]:
    """``share_shift`` of the first judge and of the second, over the candidates of all channels."""
    odds = np.concatenate([channel.odds for channel in channels])
    doubts = np.concatenate([channel.doubts for channel in channels])
    weights = fitted_weights()
    return (
        share_shift(odds, weights.share, PRIOR_DOWN, PRIOR_UP),
        share_shift(
            doubts[np.isfinite(doubts)],
            weights.edges_share,
            DOUBT_DOWN,
            DOUBT_UP,
            (weights.edges_share, DOUBT_BELIEF),
        ),
    )


def mend_channels(
    planes: Floats,
    rate_factor: int,
    rate_hz: float,
    manner: Manner,
    due: list[Due],
    beat: Beat | None,
    start: int,
    stop: int,
) -> tuple[list[Repaired], list[Stroke]]:
    """Mend a stretch.

    What was changed in spans that start in ``[start, stop)``, in order; and all that looked like damage there, whatever
    the beat of the music said to it (frame in place of time). ``beat`` counts from frame 0 of the planes.
    """
    work = planes.copy()
    channels = [Channel(plane, rate_factor) for plane in work]
    if planes.shape[1] < 8 * channels[0].order:
        return [], []
    edge = EDGE * rate_factor
    longest = int(LONGEST_S * rate_hz)
    taken = DamageSpans.none()
    long: list[Repaired] = []
    strokes: list[Stroke] = []
    believed: list[tuple[NDArray[np.int64], Floats]] = []
    shift, doubt_shift = 0.0, 0.0
    for again in range(2):
        for index, channel in enumerate(channels):
            channel.look(manner.open_at, due, index)
        for index, channel in enumerate(channels):
            channel.judge(channels[1 - index].working if len(channels) == 2 else np.empty(0))
        if not again:
            long += _find_long(channels, longest, int(BURST_S * rate_hz), start, stop)
            shift, doubt_shift = find_shifts(channels)
        accepted = DamageSpans.none()
        for index, channel in enumerate(channels):
            odds = channel.odds + shift + DOUBT_WEIGHT * np.minimum(0.0, channel.doubts + doubt_shift)
            odds += due_bonus(channel.spans, due, index)
            if again:
                odds += _beside_bonus(channel.spans, taken, rate_hz)
            else:
                strokes += [
                    (float(channel.spans[row, 2]), float(channel.tests[row]), float(odds[row]))
                    for row in np.flatnonzero(odds > manner.odds)
                    if start <= channel.spans[row, 2] < stop
                ]
            if beat is not None:
                odds += beat.bonus(channel.spans[:, 2] / rate_hz)
            peaks = channel.spans[:, 2].copy()
            odds += doubted_nats(
                peaks, channel.tests, odds, channel.doubts + doubt_shift, manner.odds, rate_hz
            )
            odds += peer_nats(peaks, channel.tests, odds, manner.odds, rate_hz)
            rows = np.flatnonzero(odds > manner.odds)
            spans, sizes = channel.spans[rows], channel.tests[rows]
            believed.append((peaks[rows], odds[rows]))
            fits = spans[:, 1] - spans[:, 0] <= longest
            if not again:
                for first, last, peak in spans[~fits].tolist():
                    if start <= first < stop and not any(_meets(burst, first, last) for burst in long):
                        long.append(_too_long(index, first, last, peak))
            fits &= (spans[:, 0] >= edge) & (spans[:, 1] <= planes.shape[1] - edge)
            for burst in long:
                fits &= (spans[:, 0] >= burst.start + burst.length) | (spans[:, 1] <= burst.start)
            accepted = accepted.joined(DamageSpans(spans[fits], sizes[fits]), longest)
        if not len(accepted):
            break
        taken = mend_early(channels, planes, work, accepted, taken, longest)
    repaired = long
    explained = _estimate(channels[0], planes, work, taken, ROUNDS)
    at, best = (np.concatenate(column) for column in zip(*believed, strict=True))
    sure = odds_of_rows(taken.rows, at, best, manner.odds)
    kept, doubtful = kept_after_mending(planes, work, taken.rows, sure, manner.odds, rate_hz, rate_factor)
    for row in np.flatnonzero((kept | doubtful) & (explained >= LEAST_EVIDENCE)):
        first, last, peak = taken.rows[row].tolist()
        if not start <= first < stop:
            continue
        for index in range(len(channels)):
            values = work[index, first:last]
            if not np.array_equal(values, planes[index, first:last]):
                repaired.append(
                    Repaired(
                        channel=index,
                        start=first,
                        length=last - first,
                        peak=peak,
                        size_db=20.0 * math.log10(taken.sizes[row]),
                        values=values.copy() if kept[row] else None,
                        damaged=last - first,
                        doubtful=not kept[row],
                    )
                )
    repaired.sort(key=lambda r: (r.start, r.channel))
    return repaired, strokes


def mend_early(
    channels: list[Channel],
    planes: Floats,
    work: Floats,
    accepted: DamageSpans,
    taken: DamageSpans,
    longest: int,
) -> DamageSpans:
    """Mend what was accepted well enough for a second look; the channels know then where to look again.

    ``taken`` joined with the accepted spans, their ends as the evidence wants them.
    """
    edge = EDGE * channels[0].rate_factor
    fitted = _fit_extents(channels, planes, work, accepted, edge, longest)
    taken = taken.joined(fitted, longest)
    fresh = taken.meeting(fitted)
    _estimate(channels[0], planes, work, fresh, EARLY_ROUNDS)
    for channel in channels:
        channel.mark_stale(fresh.rows)
    return taken


def _meets(burst: Repaired, first: int, last: int) -> bool:
    return burst.start < last and burst.start + burst.length > first


def _estimate(like: Channel, observed: Floats, work: Floats, spans: DamageSpans, rounds: int) -> Floats:
    """Mend the spans in ``work``, in order; the evidence of each, in nats."""
    explained = np.empty(len(spans))
    ends, context = np.ascontiguousarray(spans.rows[:, :2]), CONTEXT * like.rate_factor
    estimate_spans(observed, work, ends, context, like.order, rounds, like.rate_factor, explained)
    return explained


def _fit_extents(
    channels: list[Channel], observed: Floats, work: Floats, accepted: DamageSpans, edge: int, longest: int
) -> DamageSpans:
    """The accepted spans with the ends that the evidence wants, and some room for what sinks under it."""
    like = channels[0]
    rate_factor = like.rate_factor
    ends = accepted.rows.copy()
    length = ends[:, 1] - ends[:, 0]
    octaves = np.log2(np.maximum(accepted.sizes, 4.0) / 4.0)
    before = rate_factor * (BEFORE + BEFORE_OCTAVE * octaves)
    after = rate_factor * (AFTER + AFTER_OCTAVE * octaves) + octaves * length
    rooms = np.stack([before, np.clip(after, 0.0, np.maximum(0.0, longest - length - before))], axis=1)
    prices = PRICE_NATS * np.mean([channel.calm_share(accepted.rows[:, 2]) for channel in channels], axis=0)
    fit_extents(observed, work, ends, rooms.astype(np.int64), CONTEXT * rate_factor, like.order, prices)
    margin = rate_factor * (MARGIN + octaves) + MARGIN_SHARE * (ends[:, 1] - ends[:, 0])
    first = np.maximum(edge, ends[:, 0] - rate_factor)
    last = np.minimum(observed.shape[1] - edge, ends[:, 1] + margin.astype(np.int64))
    last = np.minimum(last, first + longest)
    good = last > first
    rows = np.stack([first, last, accepted.rows[:, 2]], axis=1)[good]
    return DamageSpans.none().joined(DamageSpans(rows, accepted.sizes[good]), longest)


def _find_long(channels: list[Channel], longest: int, most: int, start: int, stop: int) -> list[Repaired]:
    """Bursts longer than can be mended, once each."""
    found: list[Repaired] = []
    for index in range(len(channels)):
        other = channels[1 - index].working if len(channels) == 2 else np.empty(0)
        spans = np.empty((64, 2), dtype=np.int64)
        count = find_bursts(channels[index].working, other, longest, most, spans)
        for first, last in spans[:count].tolist():
            if start <= first < stop:
                found.append(_too_long(index, first, last, first))
    return found


def _too_long(channel: int, first: int, last: int, peak: int) -> Repaired:
    return Repaired(channel=channel, start=first, length=last - first, peak=peak, size_db=0.0, values=None)


def _beside_bonus(spans: NDArray[np.int64], taken: DamageSpans, rate_hz: float) -> Floats:
    """Nats for candidates close behind (or just before) a large mended place: what is left of it."""
    large = taken.rows[taken.sizes > BESIDE_SIZE]
    before, after = int(BESIDE_BEFORE_S * rate_hz), int(BESIDE_AFTER_S * rate_hz)
    near = overlap(spans[:, 0], spans[:, 1], large[:, 0] - before, large[:, 1] + after)
    return np.where(near, BESIDE, 0.0)


def due_bonus(spans: NDArray[np.int64], due: Sequence[Due], channel: int) -> Floats:
    """Nats for candidates, in order, where a scratch is expected on this wall."""
    bonus = np.zeros(len(spans))
    if len(due) and len(spans):
        spread_due(np.ascontiguousarray(spans[:, 2]), np.array(due, dtype=np.float64), 1 << channel, bonus)
    return bonus


@kernel
def spread_due(peaks: NDArray[np.int64], due: Floats, wall: int, bonus: Floats) -> None:
    """Raise ``bonus`` at the peaks inside each window to what it is worth there; columns as in ``Due``."""
    for row in range(due.shape[0]):
        if not int(due[row, 3]) & wall:
            continue
        nats = min(DUE_LIMIT, max(0.0, due[row, 2] + DUE_LIMIT))
        n = np.searchsorted(peaks, due[row, 0] - due[row, 1])
        while n < peaks.shape[0] and peaks[n] <= due[row, 0] + due[row, 1]:
            bonus[n] = max(bonus[n], nats)
            n += 1
