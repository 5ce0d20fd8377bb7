"""Is it damage or music? What speaks for and against a candidate impulse.

Conventions: as in ``dsp.click``; ``own`` is the channel with the candidate, ``other`` the second channel of the take
(None-like: length 0 for mono). A candidate is the frame of its peak, ``[first, last)`` its span. Every piece of
evidence is one number of a vector; they are weighed together into log odds (natural logarithm), so that a prior
from elsewhere, such as the turn of the disc, is simply added.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.ar import Matrix, Vector
from sidekeep.dsp.click import backward_error, filter_ahead
from sidekeep.dsp.kernel import kernel

EVIDENCE = (
    "peak",
    "forward",
    "backward",
    "conditional",
    "likeness",
    "partner",
    "repeats",
    "repeats_after",
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
"""Names of the numbers, in order. All ratios are natural logarithms."""

REACH = 512
"""Frames at 48 kHz and below looked at on each side for the relation of the channels and for rivals."""
LONGEST_PERIOD = 1000
SHORTEST_PERIOD = 28
CORE = 8


@kernel
def collect_evidence(
    own: Vector,
    other: Vector,
    error: Vector,
    both: Vector,
    scale: float,
    model: Vector,
    gain: float,
    peak: int,
    first: int,
    last: int,
    stretch: int,
    test: float,
    out: Vector,
) -> None:
    """Fill ``out`` for one candidate.

    ``error`` and ``both`` are the channel's forward and two-sided errors, ``scale`` the local scale at the peak, ``model`` its
    predictor and ``gain`` the sum of its squared taps; ``test`` is
    the root of the likelihood ratio at the peak, in scales; ``stretch`` is 1 at 44.1 and 48 kHz, 2 at 96, 4 at 192.
    """
    length = own.shape[0]
    order = model.shape[0] - 1
    reach = REACH * stretch
    core = CORE * stretch
    z, zf, zb = 1e-3, 1e-3, 1e-3
    for n in range(max(0, first), min(length, last)):
        z = max(z, abs(both[n]) / scale)
        zf = max(zf, abs(error[n]) / scale)
        zb = max(zb, abs(backward_error(own, model, n)) / scale)
    out[0] = math.log(z)
    out[1] = math.log(zf / z)
    out[2] = math.log(zb / z)
    # the other channel, seen through this channel's predictor
    low, high = max(order, peak - reach), min(length, peak + reach + 1)
    begin, end = max(low, peak - core), min(high, peak + core + 1)
    out[3], out[4], out[5] = out[0], 0.0, 0.0
    if other.shape[0] == length:
        count = high - low
        mirror = np.empty(count)
        turned = np.zeros((order + 8) // 8 * 8)
        for k in range(order + 1):
            turned[k] = model[order - k]
        around = np.zeros(count + order + 16)
        stop = min(length, high + 8)
        around[: stop - low + order] = other[low - order : stop]
        filter_ahead(around, count, turned, mirror)
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
        out[3] = math.log(max(1e-3, most / (scale * rest)))
        out[4] = ab / math.sqrt(aa * bb)
        out[5] = 0.5 * math.log(bb / aa)
    # the same pulse again, a period before and after: a tone
    power = 1e-30
    for n in range(begin, end):
        power += error[n] * error[n]
    longest = LONGEST_PERIOD * stretch
    width = end - begin
    twice, again = 0.0, 0.0
    if begin - 2 * longest >= 0 and end + 2 * longest <= length:
        lags = 2 * longest + 1
        after, before = np.empty(lags), np.empty(lags)
        padded = (width + 7) // 8 * 8
        pulse, turned = np.zeros(padded), np.zeros(padded)
        ahead, behind = np.zeros(lags + padded + 8), np.zeros(lags + padded + 8)
        for k in range(width):
            pulse[k] = error[begin + k] / power
            turned[k] = error[end - 1 - k] / power
        for i in range(lags + width - 1):
            ahead[i] = error[begin + i]
            behind[i] = error[end - 1 - i]
        filter_ahead(ahead, lags, pulse, after)
        filter_ahead(behind, lags, turned, before)
        for lag in range(SHORTEST_PERIOD * stretch + 1, longest):
            a = max(after[lag], max(after[lag - 1], after[lag + 1]))
            b = max(before[lag], max(before[lag - 1], before[lag + 1]))
            c = max(after[2 * lag], max(after[2 * lag - 1], after[2 * lag + 1]))
            d = max(before[2 * lag], max(before[2 * lag - 1], before[2 * lag + 1]))
            twice = max(twice, min(a, b))
            again = max(again, max(min(a, c), min(b, d)))
    out[6] = min(2.0, twice)
    out[7] = min(2.0, again)
    # rivals: the third largest stretch of 32 frames on each side, against this one
    step = 32 * stretch
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
        out[8 + side] = math.log(max(top3, 0.1 * scale) / (scale * z))
    # does it stay loud?
    left, right = 1e-30, 1e-30
    for n in range(max(0, first - reach // 2), first):
        left += min(both[n] * both[n], 16.0 * scale * scale)
    for n in range(last, min(length, last + reach // 2)):
        right += min(both[n] * both[n], 16.0 * scale * scale)
    out[10] = 0.5 * math.log((right + 1e-3 * left) / (left + 1e-3 * right + 1e-30))
    # how it stands in the treble alone
    rough, smooth = 1e-30, 1e-30
    for n in range(max(2, low), high):
        bend = own[n] - 2.0 * own[n - 1] + own[n - 2]
        if begin <= n < end:
            rough = max(rough, bend * bend)
        else:
            smooth += min(bend * bend, 1e3 * scale * scale)
    out[11] = 0.5 * math.log(rough / (smooth / max(1, high - low - width) + 1e-30))
    out[12] = math.log(max(1, last - first) / stretch)
    out[13] = 0.5 * math.log(gain)
    out[14] = math.log(scale)
    # how much of the neighbourhood is out of line: crackle, applause, a dense tone
    crowd = 0
    for n in range(max(0, first - 2 * reach), min(length, last + 2 * reach)):
        if abs(both[n]) > 4.0 * scale and (n < first or n >= last):
            crowd += 1
    out[15] = math.log(1.0 + crowd / stretch)
    out[16] = math.log(test)


@kernel
def weigh_evidence(
    evidence: Vector, centre: Vector, spread: Vector, hidden: Matrix, bias: Vector, out: Vector
) -> float:
    """Log odds of damage: a small network of tanh units; ``out`` holds the output weights and, last, the offset."""
    units = hidden.shape[0]
    total = out[units]
    for u in range(units):
        inner = bias[u]
        for i in range(evidence.shape[0]):
            value = (evidence[i] - centre[i]) / spread[i]
            inner += hidden[u, i] * min(5.0, max(-5.0, value))
        total += out[u] * math.tanh(inner)
    return float(total)


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
    peaks: Vector,
    count: int,
    stretch: int,
    centre: Vector,
    spread: Vector,
    hidden: Matrix,
    bias: Vector,
    out: Vector,
    odds: Vector,
) -> None:
    """``odds[i]`` gets the log odds of candidate i; ``errors`` (2, frames) are forward and two-sided."""
    evidence = np.empty(spread.shape[0])
    for i in range(count):
        peak = spans[i, 2]
        model = models[peak // hop]
        gain = 0.0
        for k in range(model.shape[0]):
            gain += model[k] * model[k]
        collect_evidence(
            own,
            other,
            errors[0],
            errors[1],
            scale[peak // cell],
            model,
            gain,
            peak,
            spans[i, 0],
            spans[i, 1],
            stretch,
            peaks[i],
            evidence,
        )
        odds[i] = weigh_evidence(evidence, centre, spread, hidden, bias, out)
