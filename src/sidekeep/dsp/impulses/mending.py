"""Finding and mending the impulses of a stretch of a take: candidates, evidence, estimate, twice.

Conventions: planes are (channels, frames) contiguous float64, a piece of a take with context on both sides. All
positions are frames of the plane. ``rate_factor`` is 1 at 44.1 and 48 kHz, 2 at 96, 4 at 192: orders and reaches in
frames grow with it. Big impulses hide small ones and spoil the predictor fitted over them, so everything near
a mended place is looked at a second time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.belief import weigh_candidates
from sidekeep.dsp.impulses.candidates import CELL, find_bursts
from sidekeep.dsp.impulses.channel import CONTEXT, Channel, find_shifts
from sidekeep.dsp.impulses.damage_spans import DamageSpans, changed_energy
from sidekeep.dsp.impulses.estimate import estimate_spans
from sidekeep.dsp.impulses.evidence.repeats import LONGEST_PERIOD
from sidekeep.dsp.impulses.extent import PRICE_NATS, fit_extents
from sidekeep.dsp.impulses.lone import doubt_alone
from sidekeep.dsp.impulses.priors import Due
from sidekeep.dsp.impulses.repaired import (
    DOUBTFUL,
    FACT_COLUMNS,
    MENDED,
    SIZE_DB,
    SPAN_COLUMNS,
    TOO_LONG,
    UNDONE,
    Repaired,
)
from sidekeep.dsp.impulses.safety import BELIEVED, BRIEF_S, kept_after_mending, odds_of_rows
from sidekeep.dsp.impulses.span_rooms import add_margins, find_rooms

Floats = NDArray[np.float64]
EDGE = 2 * LONGEST_PERIOD + 64
"""Frames at 48 kHz left alone at the ends of a take: there is not the context to tell a tone from a click."""
LONGEST_S, BURST_S = 0.004, 0.04
"""Longest damage that is mended: even with the true places given, the error of pops of one to four milliseconds falls by under
5 dB on half of the sides. And the longest that is told of: what goes on beyond it is music."""
EARLY_ROUNDS, ROUNDS = 1, 8
"""Of the estimate, before the second look and after it: 1, 2, 3 made no difference, 5 made more events worse than 8."""
LEAST_EVIDENCE = 24.0
"""Nats a repair must explain of the two-sided error, or it is taken back."""

WARY_A_S, MUCH_A_S = 10.0, 40.0
"""Candidates believed a second, on all channels: up to the first a wary manner asks all its nats, from the second on none of
brief damage, which is then far likelier than what an encoder makes look like it. Worn and bad records and crackle show 40 and
more, clean music that was in a lossy file 4.4 at the most. With 20 and 60 dense rock keeps fewer repairs."""
GROWN_A_S, GROWN_MUCH_A_S = 40.0, 160.0
"""The same for what was found as brief damage and turns out to be longer. Plucked strings among the crackle of a side cut at
16 kHz, 65 to 79 a second, made it 1.5 dB worse somewhere, 0.2 so; worn sides, 80 to 270, lose a tenth of what they win by the
nats that fade, a quarter from 80 to 320."""
DULL_S, DULL_DB, DULL_NATS = 0.0018, -6.0, 5.0
"""A wary manner leaves what is this long, takes out less than this over what is left there, and is less than so many nats surer
than any damage must be: without its treble a plucked string is hardly told from a pop. On four sides cut at 16 kHz 7 such of 2
nats and more are false, 6 of them on one side, where they do half of all harm; of 59 right ones 20 are mended well. With -3 dB
a worn side loses 0.2 dB, so less than 0.1."""


@dataclass(frozen=True, kw_only=True)
class Manner:
    """How readily is mended: test level for a candidate, in scales, and log odds for a repair.

    ``wary``: so many nats surer a repair must be where little seems damaged (``odds_asked``).
    """

    open_at: float
    odds: float
    wary: float = 0.0


class Asked(NamedTuple):
    """Log odds that damage must have: brief damage, what was found as such and is longer, any other, what is long and quiet."""

    brief: float
    grown: float
    surest: float
    dull: float


class Long(NamedTuple):
    """A burst longer than can be mended: its wall, first frame, last + 1 and peak."""

    wall: int
    first: int
    last: int
    peak: int


def mend_channels(
    planes: Floats,
    rate_factor: int,
    rate_hz: float,
    manner: Manner,
    due: list[Due],
    start: int,
    stop: int,
) -> Repaired:
    """Mend a stretch: what was changed in spans that start in ``[start, stop)``."""
    work = planes.copy()
    channels = [Channel(plane, rate_factor) for plane in work]
    if planes.shape[1] < 8 * channels[0].order:
        return Repaired.none()
    edge = EDGE * rate_factor
    longest = int(LONGEST_S * rate_hz)
    taken = DamageSpans.none()
    long: list[Long] = []
    expected = np.array(due, dtype=np.float64).reshape(-1, 4)
    none = np.empty(0, dtype=np.int64), np.empty(0)
    before = [none] * len(channels)
    believed: list[tuple[NDArray[np.int64], Floats, Floats]] = []
    shift, doubt_shift = 0.0, 0.0
    asked = odds_asked(manner, 0.0)

    def weigh(index: int) -> Floats:
        channel = channels[index]
        return weigh_candidates(
            channel.spans,
            channel.tests,
            channel.odds,
            channel.doubts,
            shift,
            doubt_shift,
            expected,
            index,
            taken.rows,
            taken.sizes,
            *before[index],
            asked.brief,
            float(rate_hz),
        )

    for again in range(2):
        for index, channel in enumerate(channels):
            channel.look(manner.open_at, expected, index)
        for index, channel in enumerate(channels):
            channel.judge(channels[1 - index].working if len(channels) == 2 else np.empty(0))
        if not again:
            long += _find_long(channels, longest, int(BURST_S * rate_hz), start, stop)
            shift, doubt_shift = find_shifts(channels)
            if manner.wary:
                count = sum(
                    int(np.count_nonzero(weigh(index) > asked.brief)) for index in range(len(channels))
                )
                asked = odds_asked(manner, count * rate_hz / planes.shape[1])
        else:
            before = [one[:2] for one in believed]
        accepted = DamageSpans.none()
        for index, channel in enumerate(channels):
            odds = weigh(index)
            is_brief = channel.spans[:, 1] - channel.spans[:, 0] < BRIEF_S * rate_hz
            rows = np.flatnonzero(odds > np.where(is_brief, asked.brief, asked.surest))
            spans, sizes = channel.spans[rows], channel.tests[rows]
            believed.append((spans[:, 2].copy(), sizes, odds[rows]))
            fits = spans[:, 1] - spans[:, 0] <= longest
            if not again:
                for first, last, peak in spans[~fits].tolist():
                    if start <= first < stop and not any(_meets(burst, first, last) for burst in long):
                        long.append(Long(index, first, last, peak))
            fits &= (spans[:, 0] >= edge) & (spans[:, 1] <= planes.shape[1] - edge)
            for burst in long:
                fits &= (spans[:, 0] >= burst.last) | (spans[:, 1] <= burst.first)
            accepted = accepted.joined(DamageSpans(spans[fits], sizes[fits]), longest)
        if not len(accepted):
            break
        taken = mend_early(channels, planes, work, accepted, taken, longest)
    explained = _estimate(channels[0], planes, work, taken, ROUNDS)
    peaks, _, best = (np.concatenate(column) for column in zip(*believed, strict=True))
    sure = odds_of_rows(taken.rows, peaks, best, asked.brief)
    inside = (taken.rows[:, 0] >= start) & (taken.rows[:, 0] < stop)
    return _told(channels, planes, work, taken, inside, explained, sure, asked, long, rate_hz)


def _told(
    channels: list[Channel],
    planes: Floats,
    work: Floats,
    taken: DamageSpans,
    inside: NDArray[np.bool_],
    explained: Floats,
    sure: Floats,
    asked: Asked,
    long: list[Long],
    rate_hz: float,
) -> Repaired:
    """What is kept of all that was ``taken`` for damage and mended in ``work``, or left for doubt, wall by wall; what was undone;
    and the bursts that are too ``long``.

    ``inside``: what is told of at all; ``explained``: the evidence of each, in nats; ``sure``: its log odds; ``asked``: those
    that it must have.
    """
    rate_factor = channels[0].rate_factor
    taken_out, left = changed_energy(planes, work, taken.rows)
    kept, doubtful, doubts = kept_after_mending(
        planes, work, taken.rows, taken_out, left, sure, asked.surest, rate_hz, rate_factor
    )
    unsure = kept & too_unsure(taken.rows, taken_out, left, sure, asked, rate_hz)
    kept, doubtful = kept & ~unsure, doubtful | unsure
    usual = np.stack([channel.scale[taken.rows[:, 2] // CELL] for channel in channels])
    lone = np.empty(len(taken))
    doubt_alone(
        planes, work, taken.rows, taken_out, left, usual, sure, max(asked.surest, BELIEVED), rate_factor, lone
    )
    is_told = (kept | doubtful) & (explained >= LEAST_EVIDENCE)
    told = np.flatnonzero(is_told & inside)
    at_row, walls = np.nonzero(taken_out.T[told])
    row = told[at_row]
    first, last, peak = taken.rows[row].T
    fates = np.where(kept[row], MENDED, DOUBTFUL)
    spans = np.stack([first, last - first, peak, walls, last - first, fates], axis=1)
    sizes_db = [20.0 * math.log10(size) for size in taken.sizes[row].tolist()]
    facts = np.stack(
        [sizes_db, doubts[row], taken_out[walls, row], left[walls, row], lone[row], sure[row] - asked.brief],
        axis=1,
    )
    undone, undone_facts = _undone(taken.rows[inside & ~is_told], taken.sizes[inside & ~is_told])
    return Repaired.from_planes(
        work,
        np.concatenate([_long_spans(long), undone, spans]),
        np.concatenate([np.zeros((len(long), FACT_COLUMNS)), undone_facts, facts]),
    )


def too_unsure(
    rows: NDArray[np.int64], taken_out: Floats, left: Floats, sure: Floats, asked: Asked, rate_hz: float
) -> NDArray[np.bool_]:
    """Which rows are longer than what they were found as, and not as sure as they must be then."""
    lengths = rows[:, 1] - rows[:, 0]
    quiet = taken_out.sum(axis=0) < 10.0 ** (DULL_DB / 10.0) * left.sum(axis=0)
    grown = (lengths >= BRIEF_S * rate_hz) & (sure < asked.grown)
    return np.asarray(grown | ((lengths >= DULL_S * rate_hz) & quiet & (sure < asked.dull)))


def odds_asked(manner: Manner, believed_a_s: float) -> Asked:
    """What must be had where so many candidates a second are believed with all nats asked."""
    surest = manner.odds + manner.wary
    return Asked(
        brief=manner.odds + manner.wary * _share_left(believed_a_s, WARY_A_S, MUCH_A_S),
        grown=manner.odds + manner.wary * _share_left(believed_a_s, GROWN_A_S, GROWN_MUCH_A_S),
        surest=surest,
        dull=surest + (DULL_NATS if manner.wary else 0.0),
    )


def _share_left(a_s: float, few_a_s: float, much_a_s: float) -> float:
    """1 up to few a second, 0 from much on."""
    if a_s <= few_a_s:
        return 1.0
    return max(0.0, math.log(much_a_s / a_s) / math.log(much_a_s / few_a_s))


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


def _meets(burst: Long, first: int, last: int) -> bool:
    return burst.first < last and burst.last > first


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
    like, rate_factor = channels[0], channels[0].rate_factor
    rows, sizes = accepted.rows.copy(), accepted.sizes.copy()
    rooms = np.empty((len(rows), 2), dtype=np.int64)
    find_rooms(rows, sizes, longest, rate_factor, rooms)
    calm = [channel.calm_share(accepted.rows[:, 2].copy()) for channel in channels]
    prices = PRICE_NATS * np.mean(calm, axis=0)
    fit_extents(observed, work, rows, rooms, CONTEXT * rate_factor, like.order, prices)
    count = add_margins(rows, sizes, longest, rate_factor, edge, observed.shape[1])
    return DamageSpans.none().joined(DamageSpans(rows[:count], sizes[:count]), longest)


def _find_long(channels: list[Channel], longest: int, most: int, start: int, stop: int) -> list[Long]:
    """Bursts longer than can be mended, once each."""
    found: list[Long] = []
    for index in range(len(channels)):
        other = channels[1 - index].working if len(channels) == 2 else np.empty(0)
        spans = np.empty((64, 2), dtype=np.int64)
        count = find_bursts(channels[index].working, other, longest, most, spans)
        for first, last in spans[:count].tolist():
            if start <= first < stop:
                found.append(Long(index, first, last, first))
    return found


def _undone(rows: NDArray[np.int64], sizes: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Spans and facts of what was taken for damage and is none: one row each, whatever its walls."""
    first, last, peak = rows.T
    none = np.zeros_like(first)
    spans = np.stack([first, last - first, peak, none, last - first, none + UNDONE], axis=1)
    facts = np.zeros((len(rows), FACT_COLUMNS))
    facts[:, SIZE_DB] = 20.0 * np.log10(sizes)
    return spans, facts


def _long_spans(long: list[Long]) -> NDArray[np.int64]:
    rows = [(one.first, one.last - one.first, one.peak, one.wall, 0, TOO_LONG) for one in long]
    return np.array(rows, dtype=np.int64).reshape(-1, SPAN_COLUMNS)
