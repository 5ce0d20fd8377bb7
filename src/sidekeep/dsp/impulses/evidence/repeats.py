"""Whether a pulse comes again: alike a period on, or one of a train that keeps an even pace. Then it is the music's.

Conventions: those of ``collect``.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.impulses.candidates import filter_ahead
from sidekeep.dsp.impulses.evidence.near import CORE, REACH
from sidekeep.dsp.kernel import inner_kernel

Singles = NDArray[np.float32]

NAMES = ("repeats", "repeats_after", "train", "evenness")

LONGEST_PERIOD = 1000
SHORTEST_PERIOD = 28
"""Frames at 48 kHz and below."""
ALIKE = 0.4
"""Share of a pulse's height that another of its sign must reach to be one of its train."""
UNEVEN = 0.03
"""By how much, as a share of the period, the pulses of a train may be off their time."""
LOG_MISS = math.log(0.2)
"""Of a train a pulse is missing as often."""
TRAIN_MOST = 64
"""Pulses looked at on each side."""
EVEN_REACH, EVEN_APART, EVEN_LIKE, EVEN_LEAST = 18_000, 96, 1.8, 4
"""Of candidates that keep a pace: frames looked at on each side, least distance of two, largest ratio of their sizes, and
fewest intervals that tell anything."""


@inner_kernel
def repeat_evidence(
    error: Vector, rough: Singles, order: int, peak: int, rate_factor: int, out: Vector
) -> None:
    """Fill the first three numbers of ``NAMES``: the same pulse again a period before and after, and the train.

    ``rough`` are the errors in single precision: enough to say how alike two pulses are.
    """
    length = error.shape[0]
    reach, core = REACH * rate_factor, CORE * rate_factor
    low, high = max(order, peak - reach), min(length, peak + reach + 1)
    begin, end = max(low, peak - core), min(high, peak + core + 1)
    power = 1e-30
    for n in range(begin, end):
        power += error[n] * error[n]
    longest = LONGEST_PERIOD * rate_factor
    width = end - begin
    twice, again = 0.0, 0.0
    farthest = 2 * longest
    if begin - farthest >= 0 and end + farthest <= length:
        pulse, like = np.empty(width, np.float32), np.empty(2 * farthest + 1, np.float32)
        for k in range(width):
            pulse[k] = error[begin + k] / power
        # how much of the pulse there is at every frame from two of the longest periods before it to as much behind it
        filter_ahead(rough[begin - farthest :], like.shape[0], pulse, like)
        near = np.zeros(2 * farthest + 1, np.float32)
        highest_near(like, near)
        first = SHORTEST_PERIOD * rate_factor + 1
        after, before = near[farthest:], near[: farthest + 1][::-1].copy()
        twice, again = most_alike(
            after[first:longest], before[first:longest], after[2 * first :], before[2 * first :]
        )
    out[0] = min(2.0, twice)
    out[1] = min(2.0, again)
    out[2] = train_evidence(error, begin, end, rate_factor)


@inner_kernel
def highest_near(values: Singles, out: Singles) -> None:
    """The highest of every value and its two neighbours; the first and the last have but one and are left out.

    By their bits, as in ``most_alike``: what is under 0 stays so.
    """
    count = values.shape[0] - 2
    bits, highest = values.view(np.int32), out.view(np.int32)[1:]
    one, two, three = bits[:count], bits[1:], bits[2:]
    for i in range(count):
        highest[i] = max(two[i], max(one[i], three[i]))


@inner_kernel
def most_alike(
    after: Singles, before: Singles, after_twice: Singles, before_twice: Singles
) -> tuple[float, float]:
    """How like the pulse its neighbours one period away on both sides are, and those one and two periods away on one side; at
    the best period, 0 at least. Periods in order; of those twice as long every other value counts.

    Compared by their bits: numbers over 0 are in the same order so, and neighbouring ones are then compared at once.
    """
    count = after.shape[0]
    one, two = after.view(np.int32), before.view(np.int32)
    three, four = after_twice.view(np.int32), before_twice.view(np.int32)
    most = np.zeros(2, np.int32)
    twice, again = most[0], most[1]
    for i in range(count):
        a, b, c, d = one[i], two[i], three[2 * i], four[2 * i]
        twice = max(twice, min(a, b))
        again = max(again, max(min(a, c), min(b, d)))
    most[0], most[1] = twice, again
    values = most.view(np.float32)
    return float(values[0]), float(values[1])


@inner_kernel
def evenness_evidence(
    spans: NDArray[np.int64], tests: Vector, row: int, rate_factor: int, most: int = TRAIN_MOST
) -> float:
    """How much likelier the intervals of the candidates like this one are under a steady pace than by chance.

    The logarithm of 1 + nats by which a gamma distribution of intervals (its shape the likeliest) explains them better than
    the exponential one that events without memory keep; 0 for too few. A voice that creaks at 30 a second is far from even,
    but farther from chance.
    """
    reach, apart = EVEN_REACH * rate_factor, EVEN_APART * rate_factor
    here = spans[row, 2]
    begin, stop = row, row + 1
    while begin > 0 and here - spans[begin - 1, 2] <= reach:
        begin -= 1
    while stop < spans.shape[0] and spans[stop, 2] - here <= reach:
        stop += 1
    count, total, logs = 0, 0.0, 0.0
    before = np.int64(-1)
    for i in range(begin, stop):
        if tests[i] > EVEN_LIKE * tests[row] or EVEN_LIKE * tests[i] < tests[row]:
            continue
        if before >= 0:
            interval = float(spans[i, 2] - before)
            if interval < apart:
                continue
            count += 1
            total += interval
            logs += math.log(interval)
        before = spans[i, 2]
    if count < EVEN_LEAST:
        return 0.0
    # Minka's start for the gamma's shape (Estimating a gamma distribution, 2002, from memory), good to 2 %
    s = max(1e-3, math.log(total / count) - logs / count)
    shape = (3.0 - s + math.sqrt((s - 3.0) * (s - 3.0) + 24.0 * s)) / (12.0 * s)
    if shape <= 1.0:
        return 0.0
    nats = count * (shape * math.log(shape) - shape - math.lgamma(shape) + 1.0 - (shape - 1.0) * s)
    return math.log(1.0 + max(0.0, nats))


@inner_kernel
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
            # 32 frames on at once where none of them is high enough, else to the first that is
            first = n if side == 1 else n - 31
            if first >= 0 and first + 32 <= length and abs(n + 32 * step - at) <= 2 * longest:
                high, piece = 0, error[first : first + 32]
                for k in range(32):
                    high += 1 if sign * piece[k] >= least else 0
                if not high:
                    n += 32 * step
                    continue
                while sign * error[n] < least:
                    n += step
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
            total, chances = 0.0, 1.0
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
                    # of a hit by chance, 1 - exp(-expected)
                    expected = rate * (2.0 * wide + 1.0)
                    if hit:
                        chances *= (1.0 - math.exp(-expected)) / 0.8
                    else:
                        total += LOG_MISS + expected
            if chances < math.exp(total - best):
                best = total - math.log(chances)
    return min(12.0, best)
