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
MISS = 0.2
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

    ``rough`` are the errors in single precision (``roughen``): enough to say how alike two pulses are.
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
        near = np.empty((2, farthest), np.float32)
        highest_near(like, near)
        twice, again = most_alike(near, SHORTEST_PERIOD * rate_factor + 1, longest)
    out[0] = min(2.0, twice)
    out[1] = min(2.0, again)
    out[2] = train_evidence(error, begin, end, rate_factor)


@inner_kernel
def roughen(error: Vector, until: int, peak: int, rate_factor: int, rough: Singles) -> int:
    """The errors round a peak in single precision, as far as ``repeat_evidence`` looks; before ``until`` that is done already.

    Up to where it is done now is returned: peaks come in order.
    """
    reach = (2 * LONGEST_PERIOD + 2 * CORE) * rate_factor
    low, high = max(until, peak - reach), min(error.shape[0], peak + reach)
    seen, out = error[low : max(low, high)], rough[low : max(low, high)]
    for n in range(seen.shape[0]):
        out[n] = seen[n]
    return max(until, high)


@inner_kernel
def highest_near(values: Singles, out: Singles) -> None:
    """The highest of every value and its two neighbours, by how far it is from the middle one: ``out`` (2, reach) from there on
    and backwards, of ``values`` (2 reach + 1).

    By their bits, as in ``most_alike``: what is under 0 stays so. An index without a sign is one that the compiler need not look
    at: the loop is then worked through sixteen at a time.
    """
    reach = out.shape[1]
    bits, highest = values.view(np.int32), out.view(np.int32)
    one, two, three, after = bits[reach - 1 :], bits[reach:], bits[reach + 1 :], highest[0]
    for i in range(reach):
        after[i] = max(two[i], max(one[i], three[i]))
    one, two, three, before = bits[:reach], bits[1:], bits[2:], highest[1]
    for i in range(reach):
        before[np.uint64(reach - 1 - i)] = max(two[i], max(one[i], three[i]))


@inner_kernel
def most_alike(near: Singles, first: int, longest: int) -> tuple[float, float]:
    """How like the pulse its neighbours one period away on both sides are, and those one and two periods away on one side; at
    the best period of ``first`` to below ``longest``, 0 at least. ``near``: that of ``highest_near``.

    Compared by their bits: numbers over 0 are in the same order so, and neighbouring ones are then compared at once. Every other
    value is the lower half of a pair's bits.
    """
    bits = near.view(np.int32)
    one, two = bits[0, first:longest], bits[1, first:longest]
    three = near[0, 2 * first : 2 * longest].view(np.int64).astype(np.int32)
    four = near[1, 2 * first : 2 * longest].view(np.int64).astype(np.int32)
    most = np.zeros(2, np.int32)
    twice, again = most[0], most[1]
    for i in range(longest - first):
        a, b, c, d = one[i], two[i], three[i], four[i]
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
    count, total, logs, product = 0, 0.0, 0.0, 1.0
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
            # one logarithm for many intervals, before their product is out of range
            product *= interval
            if product > 1e250:
                logs += math.log(product)
                product = 1.0
        before = spans[i, 2]
    if count < EVEN_LEAST:
        return 0.0
    logs += math.log(product)
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
    at = begin
    for n in range(begin, end):
        if abs(error[n]) > abs(error[at]):
            at = n
    sign = 1.0 if error[at] > 0.0 else -1.0
    least, far = ALIKE * abs(error[at]), 2 * LONGEST_PERIOD * rate_factor
    places = np.empty((2, TRAIN_MOST), dtype=np.int64)
    within = np.empty((2, far + 1), dtype=np.uint8)
    counts, reached = np.zeros(2, dtype=np.int64), np.zeros(2, dtype=np.int64)
    for side in range(2):
        counts[side], reached[side] = find_pulses(
            error, at, 2 * side - 1, sign, least, CORE * rate_factor, places[side], within[side]
        )
    pulses, seen = counts[0] + counts[1], reached[0] + reached[1]
    if pulses < 2 or seen <= 0:
        return 0.0
    rate = pulses / seen
    # of a miss by chance, exp(-expected pulses): at a place, and for what each period makes it wider
    none_there, best = math.exp(-rate * (2.0 * rate_factor + 1.0)), 1.0
    for side in range(2):
        for row in range(counts[side]):
            period = places[side, row]
            if period < SHORTEST_PERIOD * rate_factor or period > LONGEST_PERIOD * rate_factor:
                continue
            train, chance = 1.0, 1.0
            none_wider = math.exp(-rate * 2.0 * UNEVEN * period)
            for way in range(2):
                none = none_there
                for times in range(1, 5):
                    none *= none_wider
                    due = times * period
                    wide = UNEVEN * due + rate_factor
                    if due + wide > reached[way]:
                        break
                    if way == side and times == 1:
                        continue
                    is_hit = within[way, int(due + wide)] != within[way, math.ceil(due - wide) - 1]
                    one, other = (1.0 - MISS, 1.0 - none) if is_hit else (MISS, none)
                    train *= one
                    chance *= other
            best = max(best, train / chance)
    return min(12.0, math.log(best))


@inner_kernel
def find_pulses(
    error: Vector,
    at: int,
    step: int,
    sign: float,
    least: float,
    core: int,
    places: NDArray[np.int64],
    within: NDArray[np.uint8],
) -> tuple[int, int]:
    """Pulses of one ``sign`` and ``least`` height from ``core`` frames after (``step`` 1) or before (-1) ``at`` on: how many, and
    how many frames were looked through.

    ``places`` get how far away their tops are, as many as it holds; ``within[d]`` how many are no more than d frames away, as far
    as was looked through.
    """
    length, far, most = error.shape[0], within.shape[0] - 1, places.shape[0]
    count, filled, n = 0, 0, at + step * core
    while count < most and abs(n - at) <= far and 0 <= n < length:
        # 32 frames on at once where none of them is high enough, else to the first that is
        first = n if step == 1 else n - 31
        if first >= 0 and first + 32 <= length and abs(n + 32 * step - at) <= far:
            high, piece = 0, error[first : first + 32]
            for k in range(32):
                high += 1 if sign * piece[k] >= least else 0
            if not high:
                n += 32 * step
                continue
            while sign * error[n] < least:
                n += step
        if sign * error[n] < least:
            n += step
            continue
        top, highest, stop = n, sign * error[n], n + step * core
        while n != stop and 0 <= n < length:
            if sign * error[n] > highest:
                top, highest = n, sign * error[n]
            n += step
        places[count] = abs(top - at)
        within[filled : min(far + 1, places[count])] = count
        filled = min(far + 1, places[count])
        count += 1
    reached = min(abs(n - at), far)
    within[filled : reached + 1] = count
    return count, reached
