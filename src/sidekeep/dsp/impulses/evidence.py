"""Is it damage or music? What speaks for and against a candidate impulse.

Conventions: as in ``candidates``; ``own`` is the channel with the candidate, ``other`` the second channel of the take
(None-like: length 0 for mono). A candidate is the frame of its peak, ``[first, last)`` its span. Every piece of
evidence is one number of a vector; they are weighed together into log odds (natural logarithm), so that a prior
from elsewhere, such as the turn of the disc, is simply added.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Matrix, Vector, autocorrelate, levinson
from sidekeep.dsp.impulses.candidates import QUIET, backward_error, filter_ahead
from sidekeep.dsp.kernel import kernel

NEAR_EVIDENCE = (
    "peak",
    "forward",
    "backward",
    "rivals_before",
    "rivals_after",
    "onset",
    "treble",
    "length",
    "gain",
    "loudness",
    "crowd",
    "test",
)
"""What the place itself tells; cheap to ask."""
EVIDENCE = (
    *NEAR_EVIDENCE,
    "conditional",
    "likeness",
    "partner",
    "repeats",
    "repeats_after",
    "train",
    "change",
)
"""Names of the numbers, in order. All ratios are natural logarithms."""
Network = tuple[Vector, Vector, Matrix, Vector, Vector]
"""Centre and spread of the evidence, weights of the hidden units, their bias, weights and offset of the output."""
SCREEN_ODDS = -5.0
"""Below these log odds by the near evidence alone a candidate is music, and nothing more is asked."""

REACH = 512
"""Frames at 48 kHz and below looked at on each side for the relation of the channels and for rivals."""
LONGEST_PERIOD = 1000
SHORTEST_PERIOD = 28
CORE = 8
ALIKE = 0.4
"""Share of a pulse's height that another of its sign must reach to be one of its train."""
RAIL_ROOM, RAIL_LEAST, RAIL_SIDES, RAIL_ODDS = 0.015, 3, 0.75, -10.0
"""Of a crest cut off: unevenness as a share of its level, least frames, level of the music beside it; log odds given."""
UNEVEN = 0.03
"""By how much, as a share of the period, the pulses of a train may be off their time."""
CHANGE, CHANGE_ORDER = 512, 16
"""Frames on each side whose sound is compared, and the order of the predictors."""
TRAIN_MOST = 64
"""Pulses looked at on each side."""


@kernel
def collect_near_evidence(
    own: Vector,
    error: Vector,
    both: Vector,
    scale: float,
    model: Vector,
    gain: float,
    peak: int,
    first: int,
    last: int,
    rate_factor: int,
    test: float,
    out: Vector,
) -> None:
    """Fill the numbers of ``NEAR_EVIDENCE`` for one candidate.

    ``error`` and ``both`` are the channel's forward and two-sided errors, ``scale`` the local scale at the peak, ``model`` its
    predictor and ``gain`` the sum of its squared taps; ``test`` is the root of the likelihood ratio at the peak, in scales;
    ``rate_factor`` is 1 at 44.1 and 48 kHz, 2 at 96, 4 at 192.
    """
    length = own.shape[0]
    order = model.shape[0] - 1
    reach = REACH * rate_factor
    core = CORE * rate_factor
    z, zf, zb = 1e-3, 1e-3, 1e-3
    for n in range(max(0, first), min(length, last)):
        z = max(z, abs(both[n]) / scale)
        zf = max(zf, abs(error[n]) / scale)
        zb = max(zb, abs(backward_error(own, model, n)) / scale)
    out[0] = math.log(z)
    out[1] = math.log(zf / z)
    out[2] = math.log(zb / z)
    # rivals: the third largest stretch of 32 frames on each side, against this one
    step = 32 * rate_factor
    for side in range(2):
        top1, top2, top3 = 0.0, 0.0, 0.0
        at = first - step if side == 0 else last
        crossed = 0
        while crossed < 2 * reach and at >= 0 and at + step <= length:
            most = 0.0
            for n in range(at, at + step):
                most = max(most, abs(both[n]))
            if most > top1:
                top1, top2, top3 = most, top1, top2
            elif most > top2:
                top2, top3 = most, top2
            elif most > top3:
                top3 = most
            at += -step if side == 0 else step
            crossed += step
        out[3 + side] = math.log(max(top3, 0.1 * scale) / (scale * z))
    # does it stay loud?
    left, right = 1e-30, 1e-30
    for n in range(max(0, first - reach // 2), first):
        left += min(both[n] * both[n], 16.0 * scale * scale)
    for n in range(last, min(length, last + reach // 2)):
        right += min(both[n] * both[n], 16.0 * scale * scale)
    out[5] = 0.5 * math.log((right + 1e-3 * left) / (left + 1e-3 * right + 1e-30))
    # how it stands in the treble alone
    low, high = max(order, peak - reach), min(length, peak + reach + 1)
    begin, end = max(low, peak - core), min(high, peak + core + 1)
    rough, smooth = 1e-30, 1e-30
    for n in range(max(2, low), high):
        bend = own[n] - 2.0 * own[n - 1] + own[n - 2]
        if begin <= n < end:
            rough = max(rough, bend * bend)
        else:
            smooth += min(bend * bend, 1e3 * scale * scale)
    out[6] = 0.5 * math.log(rough / (smooth / max(1, high - low - (end - begin)) + 1e-30))
    out[7] = math.log(max(1, last - first) / rate_factor)
    out[8] = 0.5 * math.log(gain)
    out[9] = math.log(scale)
    # how much of the neighbourhood is out of line: crackle, applause, a dense tone
    crowd = 0
    for n in range(max(0, first - 2 * reach), min(length, last + 2 * reach)):
        if abs(both[n]) > 4.0 * scale and (n < first or n >= last):
            crowd += 1
    out[10] = math.log(1.0 + crowd / rate_factor)
    out[11] = math.log(test)


@kernel
def collect_far_evidence(
    own: Vector,
    other: Vector,
    error: Vector,
    scale: float,
    model: Vector,
    peak: int,
    first: int,
    last: int,
    rate_factor: int,
    out: Vector,
) -> None:
    """Fill the rest of ``EVIDENCE``, once the near evidence is there; arguments as in ``collect_near_evidence``."""
    length = own.shape[0]
    order = model.shape[0] - 1
    reach = REACH * rate_factor
    core = CORE * rate_factor
    # the other channel, seen through this channel's predictor
    low, high = max(order, peak - reach), min(length, peak + reach + 1)
    begin, end = max(low, peak - core), min(high, peak + core + 1)
    out[12], out[13], out[14] = out[0], 0.0, 0.0
    if other.shape[0] == length:
        count = high - low
        mirror = np.empty(count)
        mirrored = np.zeros((order + 8) // 8 * 8)
        for k in range(order + 1):
            mirrored[k] = model[order - k]
        around = np.zeros(count + order + 16)
        stop = min(length, high + 8)
        around[: stop - low + order] = other[low - order : stop]
        filter_ahead(around, count, mirrored, mirror)
        xy, yy, xx = 0.0, 1e-30, 1e-30
        for n in range(low, high):
            if n < begin or n >= end:
                # one large pulse must not set the relation: bounded influence
                a, b = error[n], mirror[n - low]
                weight = 1.0 / (1.0 + (a * a + b * b) / (16.0 * scale * scale))
                xy += weight * a * b
                yy += weight * b * b
                xx += weight * a * a
        slope = xy / yy
        rest = math.sqrt(max(1e-4, 1.0 - xy * xy / (xx * yy)))
        most, ab, bb, aa = 1e-3, 0.0, 1e-30, 1e-30
        for n in range(begin, end):
            a, b = error[n], mirror[n - low]
            most = max(most, abs(a - slope * b))
            ab += a * b
            bb += b * b
            aa += a * a
        out[12] = math.log(max(1e-3, most / (scale * rest)))
        out[13] = ab / math.sqrt(aa * bb)
        out[14] = 0.5 * math.log(bb / aa)
    # the same pulse again, a period before and after: a tone
    power = 1e-30
    for n in range(begin, end):
        power += error[n] * error[n]
    longest = LONGEST_PERIOD * rate_factor
    width = end - begin
    twice, again = 0.0, 0.0
    if begin - 2 * longest >= 0 and end + 2 * longest <= length:
        lags = 2 * longest + 1
        after, before = np.empty(lags), np.empty(lags)
        padded = (width + 7) // 8 * 8
        pulse, mirrored = np.zeros(padded), np.zeros(padded)
        ahead, behind = np.zeros(lags + padded + 8), np.zeros(lags + padded + 8)
        for k in range(width):
            pulse[k] = error[begin + k] / power
            mirrored[k] = error[end - 1 - k] / power
        for i in range(lags + width - 1):
            ahead[i] = error[begin + i]
            behind[i] = error[end - 1 - i]
        filter_ahead(ahead, lags, pulse, after)
        filter_ahead(behind, lags, mirrored, before)
        for lag in range(SHORTEST_PERIOD * rate_factor + 1, longest):
            a = max(after[lag], max(after[lag - 1], after[lag + 1]))
            b = max(before[lag], max(before[lag - 1], before[lag + 1]))
            c = max(after[2 * lag], max(after[2 * lag - 1], after[2 * lag + 1]))
            d = max(before[2 * lag], max(before[2 * lag - 1], before[2 * lag + 1]))
            twice = max(twice, min(a, b))
            again = max(again, max(min(a, c), min(b, d)))
    out[15] = min(2.0, twice)
    out[16] = min(2.0, again)
    out[17] = train_evidence(error, begin, end, rate_factor)
    out[18] = change_evidence(own, first, last, rate_factor)


@kernel
def change_evidence(own: Vector, first: int, last: int, rate_factor: int) -> float:
    """How unlike the sound before a span is to that after it; 0 for the same.

    Nats a frame by which two predictors, one fitted on each side, explain the two sides better than one for both: an
    attack or a cut changes the sound, damage leaves it as it was.
    """
    wide, order = CHANGE * rate_factor, CHANGE_ORDER
    before, after = first - rate_factor - wide, last + 4 * rate_factor
    if before < 0 or after + wide > own.shape[0]:
        return 0.0
    sides, scratch, model = np.empty((3, order + 1)), np.empty(order + 1), np.empty(order + 1)
    piece = np.empty(wide)
    step = 2.0 * math.pi / wide
    twice = 2.0 * math.cos(step)
    for side in range(2):
        low = before if side == 0 else after
        # a Hann window, its cosine by recurrence
        now, last_cosine = math.cos(0.5 * step), math.cos(0.5 * step)
        for i in range(wide):
            piece[i] = own[low + i] * (0.5 - 0.5 * now)
            now, last_cosine = twice * now - last_cosine, now
        autocorrelate(piece, order, sides[side])
        sides[side, 0] = sides[side, 0] * (1.0 + 1e-9) + wide * QUIET * QUIET
    for k in range(order + 1):
        sides[2, k] = 0.5 * (sides[0, k] + sides[1, k])
    one = math.log(levinson(sides[0], order, model, scratch))
    two = math.log(levinson(sides[1], order, model, scratch))
    both = math.log(levinson(sides[2], order, model, scratch))
    return max(0.0, both - 0.5 * (one + two))


@kernel
def train_evidence(error: Vector, begin: int, end: int, rate_factor: int) -> float:
    """Nats for the largest error in ``[begin, end)`` being one of a train of pulses that come at an even pace.

    A voice, a reed or a bow gives one pulse a period, each of another shape and a little early or late; damage keeps
    no time. Every pulse nearby gives a period to try; times a whole number of periods away are then hits or misses,
    held against the chance of a hit among so many pulses.
    """
    length = error.shape[0]
    at = begin
    for n in range(begin, end):
        if abs(error[n]) > abs(error[at]):
            at = n
    sign = 1.0 if error[at] > 0.0 else -1.0
    least = ALIKE * abs(error[at])
    core, shortest, longest = CORE * rate_factor, SHORTEST_PERIOD * rate_factor, LONGEST_PERIOD * rate_factor
    places = np.empty((2, TRAIN_MOST), dtype=np.int64)
    counts = np.zeros(2, dtype=np.int64)
    reached = np.zeros(2, dtype=np.int64)
    for side in range(2):
        step = -1 if side == 0 else 1
        n = at + step * core
        while counts[side] < TRAIN_MOST and abs(n - at) <= 2 * longest and 0 <= n < length:
            if sign * error[n] >= least:
                top, stop = n, n + step * core
                while n != stop and 0 <= n < length:
                    if sign * error[n] > sign * error[top]:
                        top = n
                    n += step
                places[side, counts[side]] = top
                counts[side] += 1
            else:
                n += step
        reached[side] = min(abs(n - at), 2 * longest)
    seen = reached[0] + reached[1]
    if counts[0] + counts[1] < 2 or seen <= 0:
        return 0.0
    rate = (counts[0] + counts[1]) / seen
    best = 0.0
    for side in range(2):
        for row in range(counts[side]):
            period = abs(places[side, row] - at)
            if period < shortest or period > longest:
                continue
            total = 0.0
            for way in range(2):
                sense = -1 if way == 0 else 1
                cursor = 0
                for times in range(1, 5):
                    if way == side and times == 1:
                        continue
                    due = times * period
                    wide = UNEVEN * due + rate_factor
                    if due + wide > reached[way]:
                        break
                    while cursor < counts[way] and sense * (places[way, cursor] - at) < due - wide:
                        cursor += 1
                    hit = cursor < counts[way] and sense * (places[way, cursor] - at) <= due + wide
                    chance = 1.0 - math.exp(-rate * (2.0 * wide + 1.0))
                    total += math.log(0.8 / chance) if hit else math.log(0.2 / (1.0 - chance))
            best = max(best, total)
    return min(12.0, best)


@kernel
def weigh_evidence(
    evidence: Vector, centre: Vector, spread: Vector, hidden: Matrix, bias: Vector, out: Vector
) -> float:
    """Log odds of damage: a small network of tanh units; ``out`` holds the output weights and, last, the offset."""
    units, count = hidden.shape
    value = np.empty(count)
    for i in range(count):
        value[i] = min(5.0, max(-5.0, (evidence[i] - centre[i]) / spread[i]))
    total = out[units]
    for u in range(units):
        inner = bias[u]
        for i in range(count):
            inner += hidden[u, i] * value[i]
        total += out[u] * math.tanh(inner)
    return float(total)


@kernel
def lies_on_the_rail(own: Vector, first: int, last: int, rail: float) -> bool:
    """Whether a span holds a crest of the music that was cut off at ``rail``, the greatest level around.

    A cut-off crest has corners, which look like damage. It is flat at the rail, and the music on both sides is
    nearly as high; a pulse that reaches the rail stands alone.
    """
    if first < 4 or last + 4 > own.shape[0]:
        return False
    flat, longest, at = 0, 0, first
    for n in range(first, last):
        flat = flat + 1 if abs(own[n]) >= (1.0 - RAIL_ROOM) * rail else 0
        if flat > longest:
            longest, at = flat, n
    if longest < RAIL_LEAST:
        return False
    sign = 1.0 if own[at] > 0.0 else -1.0
    before, after = 0.0, 0.0
    for k in range(4):
        before += 0.25 * sign * own[first - 1 - k]
        after += 0.25 * sign * own[last + k]
    return min(before, after) >= RAIL_SIDES * rail


@kernel
def judge_candidates(
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
    network: Network,
    odds: Vector,
) -> None:
    """``odds[i]`` gets the log odds of candidate i; ``errors`` (2, frames) are forward and two-sided.

    What the near evidence alone makes very unlikely is not looked at further.
    """
    evidence = np.empty(len(EVIDENCE))
    rail = 0.0
    for n in range(own.shape[0]):
        rail = max(rail, abs(own[n]))
    for i in range(spans.shape[0]):
        first, last, peak = spans[i]
        model = models[peak // hop]
        gain = 0.0
        for k in range(model.shape[0]):
            gain += model[k] * model[k]
        level = scale[peak // cell]
        collect_near_evidence(
            own, errors[0], errors[1], level, model, gain, peak, first, last, rate_factor, tests[i], evidence
        )
        odds[i] = weigh_evidence(evidence, *screen)
        if odds[i] > SCREEN_ODDS:
            collect_far_evidence(
                own, other, errors[0], level, model, peak, first, last, rate_factor, evidence
            )
            odds[i] = weigh_evidence(evidence, *network)
            if odds[i] > SCREEN_ODDS and lies_on_the_rail(own, first, last, rail):
                odds[i] = RAIL_ODDS
