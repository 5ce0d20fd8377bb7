"""The estimate for two channels at once: one pulse, two walls.

Conventions: as in ``dsp.estimate``. What a particle or a scratch does to the two channels is one waveform w at two
gains: ``d_L = g_L w``, ``d_R = g_R w`` (one wall: a gain of zero; vertical movement: opposite signs). The music is
turned by an angle into two components that are predicted separately, for example sum and difference; the
angle is the one that leaves least to predict. Then the precision of w is the sum over components of
``g_c^2 A_c'A_c / s2_c``: a click on one wall is seen against what the other wall cannot explain, and a vertical click
against the difference of the channels, where a record has little music.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.ar import (
    Vector,
    autocorrelate,
    crosscorrelate,
    factor_band,
    invert_band,
    levinson,
    model_correlation,
    solve_band,
)
from sidekeep.dsp.estimate import COLOUR, TINY, estimate_span, fit_colour
from sidekeep.dsp.kernel import kernel

ANGLES = 4
LEAST_GAIN = 0.12
"""A wall with less of the pulse than this is left alone: it is crosstalk."""


@kernel
def estimate_pair(
    left_observed: Vector,
    right_observed: Vector,
    left: Vector,
    right: Vector,
    start: int,
    stop: int,
    context: int,
    order: int,
    rounds: int,
    smooth: int,
    gains: Vector,
    free: bool,
) -> float:
    """Write the estimate of ``[start, stop)`` into ``left`` and ``right``; the evidence in nats is returned.

    ``gains`` (2,) are those of the walls; with ``free`` they are a first guess and are learnt.
    """
    m = stop - start
    p = order
    low = max(0, start - context)
    high = min(left.shape[0], stop + context)
    n = high - low
    head, tail = start - low, stop - low
    window = np.empty(n)
    for i in range(n):
        window[i] = 0.5 - 0.5 * math.cos(2.0 * math.pi * (i + 0.5) / n)
    share = 0.0
    plain = np.zeros((2, n))
    z = np.empty((2, n))
    for i in range(n):
        if not head <= i < tail:
            plain[0, i] = left[low + i] * window[i]
            plain[1, i] = right[low + i] * window[i]
            share += window[i] * window[i]
    whole = share
    for i in range(head, tail):
        whole += window[i] * window[i]
    own = np.empty((2, p + 1))
    cross = np.empty((2, p + 1))
    autocorrelate(plain[0], p, own[0])
    autocorrelate(plain[1], p, own[1])
    crosscorrelate(plain[0], plain[1], p, cross[0])
    crosscorrelate(plain[1], plain[0], p, cross[1])
    fixed = np.empty((2, p + 1))
    trial = np.empty((2, p + 1))
    model = np.empty((2, p + 1))
    scratch = np.empty(p + 1)
    best = 1e300
    cosine, sine = 1.0, 0.0
    for step in range(ANGLES):
        # the first two are the channels themselves, and sum and difference
        angle = 0.5 * math.pi * (0.0, 0.5, 0.25, 0.75)[step]
        c, s = math.cos(angle), math.sin(angle)
        for k in range(p + 1):
            mixed = c * s * (cross[0, k] + cross[1, k])
            trial[0, k] = c * c * own[0, k] + s * s * own[1, k] + mixed
            trial[1, k] = s * s * own[0, k] + c * c * own[1, k] - mixed
        trial[0, 0] += n * 1e-12
        trial[1, 0] += n * 1e-12
        total = math.log(levinson(trial[0], p, model[0], scratch))
        total += math.log(levinson(trial[1], p, model[1], scratch))
        if total < best - 1e-9:
            best, cosine, sine = total, c, s
            fixed[:] = trial
    for i in range(n):
        at = low + i
        inside = head <= i < tail
        a = left_observed[at] if inside else left[at]
        b = right_observed[at] if inside else right[at]
        z[0, i] = cosine * a + sine * b
        z[1, i] = cosine * b - sine * a
    turned = np.empty(2)
    turned[0] = cosine * gains[0] + sine * gains[1]
    turned[1] = cosine * gains[1] - sine * gains[0]
    correlation = np.empty(p + 1)
    taps = np.empty((2, p + 1))
    s2 = np.empty(2)
    w = np.zeros(m)
    estimate = np.empty(n)
    pull = np.empty((2, m))
    force = np.empty(m)
    band = np.empty((m, p + 1))
    upper = np.empty((m, p + 1))
    spread = np.empty((m, p + 1))
    variance = np.empty(m)
    sums = np.empty(m + 1)
    doubt = np.empty(m + 1)
    colour = np.zeros(COLOUR + 1)
    colour[0] = 1.0
    for turn in range(rounds):
        for part in range(2):
            gain = turned[part]
            for k in range(p + 1):
                correlation[k] = fixed[part, k]
            if turn > 0:
                for i in range(max(0, head - p), min(n, tail + p)):
                    estimate[i] = z[part, i] * window[i]
                for i in range(m):
                    estimate[head + i] = (z[part, head + i] - gain * w[i]) * window[head + i]
                for k in range(p + 1):
                    total = 0.0
                    for i in range(max(0, head - k), min(tail, n - k)):
                        if i >= head or i + k < tail:
                            total += estimate[i] * estimate[i + k]
                    extra = 0.0
                    for i in range(m - k):
                        extra += spread[i, k] * window[head + i] * window[head + i + k]
                    correlation[k] += total + gain * gain * extra
            power = levinson(correlation, p, model[part], scratch)
            model_correlation(model[part], p, taps[part])
            s2[part] = power / (whole if turn > 0 else share) + TINY
            for i in range(m):
                at = head + i
                total = taps[part, 0] * z[part, at]
                for k in range(1, p + 1):
                    if at - k >= 0:
                        total += taps[part, k] * z[part, at - k]
                    if at + k < n:
                        total += taps[part, k] * z[part, at + k]
                pull[part, i] = total / s2[part]
        if free and turn > 1:
            # the gain of each component, given the waveform
            for part in range(2):
                across, along = 0.0, TINY
                for i in range(m):
                    across += w[i] * pull[part, i]
                    along += taps[part, 0] * (w[i] * w[i] + spread[i, 0]) / s2[part]
                    for k in range(1, min(p, m - 1 - i) + 1):
                        along += 2.0 * taps[part, k] * (w[i] * w[i + k] + spread[i, k]) / s2[part]
                turned[part] = across / along
            a = cosine * turned[0] - sine * turned[1]
            b = sine * turned[0] + cosine * turned[1]
            most = max(abs(a), abs(b))
            if most > 0.0:
                a, b = a / most, b / most
                a = 0.0 if abs(a) < LEAST_GAIN else a
                b = 0.0 if abs(b) < LEAST_GAIN else b
                gains[0], gains[1] = a, b
            turned[0] = cosine * gains[0] + sine * gains[1]
            turned[1] = cosine * gains[1] - sine * gains[0]
        first = turned[0] * turned[0] / s2[0]
        second = turned[1] * turned[1] / s2[1]
        for i in range(m):
            force[i] = turned[0] * pull[0, i] + turned[1] * pull[1, i]
            w[i] = force[i]
            for k in range(p + 1):
                band[i, k] = 0.0
            for k in range(min(i, p) + 1):
                band[i, p - k] = first * taps[0, k] + second * taps[1, k]
            band[i, p] *= 1.0 + 1e-9
        if turn > 0:
            for i in range(m):
                weight = 1.0 / variance[i]
                for k in range(min(i, COLOUR) + 1):
                    for j in range(k, min(i, COLOUR) + 1):
                        band[i - k, p - (j - k)] += weight * colour[k] * colour[j]
        factor_band(band, m, p)
        solve_band(band, m, p, w)
        invert_band(band, m, p, upper, spread)
        if turn + 1 == rounds:
            break
        fit_colour(w, spread, 1.0, variance, turn > 0, colour)
        sums[0] = 0.0
        doubt[0] = 0.0
        for i in range(m):
            moment, unsure = 0.0, 0.0
            for k in range(min(i, COLOUR) + 1):
                for j in range(min(i, COLOUR) + 1):
                    both = colour[k] * colour[j]
                    moment += both * w[i - k] * w[i - j]
                    unsure += both * spread[min(i - k, i - j), abs(k - j)]
            sums[i + 1] = sums[i] + max(0.0, moment + unsure)
            doubt[i + 1] = doubt[i] + max(0.0, unsure)
        for i in range(m):
            begin, end = max(0, i - smooth), min(m, i + smooth + 1)
            mean = (sums[end] - sums[begin]) / (end - begin)
            unsure = (doubt[end] - doubt[begin]) / (end - begin)
            if turn == 0:
                mean = max(mean - 2.0 * unsure, 0.1 * unsure)
            variance[i] = mean + 1e-6 * unsure + TINY
    explained = 0.0
    for i in range(m):
        explained += 0.5 * w[i] * force[i]
        left[start + i] = left_observed[start + i] - gains[0] * w[i]
        right[start + i] = right_observed[start + i] - gains[1] * w[i]
    return explained


@kernel
def estimate_pairs(
    observed: Vector,
    working: Vector,
    spans: NDArray[np.int64],
    walls: NDArray[np.int64],
    context: int,
    order: int,
    rounds: int,
    stretch: int,
    explained: Vector,
) -> None:
    """``estimate_pair`` for rows (first, last + 1) in order; ``observed`` and ``working`` are (2, frames).

    ``walls`` is 1 for left, 2 for right, 3 for both: then the gains are learnt, from the better of the two guesses
    "opposite" and "alike" judged by the correlation of what a first filling takes out.
    """
    gains = np.empty(2)
    for i in range(spans.shape[0]):
        first, last = spans[i, 0], spans[i, 1]
        smooth = min(8 * stretch, max(2 * stretch, (last - first) // 6))
        gains[0] = 1.0 if walls[i] & 1 else 0.0
        gains[1] = 1.0 if walls[i] & 2 else 0.0
        free = walls[i] == 3
        if free:
            guess_gains(observed, working, first, last, order, gains)
        explained[i] = estimate_pair(
            observed[0],
            observed[1],
            working[0],
            working[1],
            first,
            last,
            context,
            order,
            rounds,
            smooth,
            gains,
            free,
        )


@kernel
def guess_gains(observed: Vector, working: Vector, first: int, last: int, order: int, gains: Vector) -> None:
    """Sign and ratio of the pulse on the two walls from its second differences against a straight line's."""
    aa, bb, ab = 1e-30, 1e-30, 0.0
    for n in range(first, last):
        a = observed[0, n] - 2.0 * observed[0, n - 1] + observed[0, n - 2]
        b = observed[1, n] - 2.0 * observed[1, n - 1] + observed[1, n - 2]
        aa += a * a
        bb += b * b
        ab += a * b
    ratio = math.sqrt(bb / aa)
    sign = -1.0 if ab < 0.0 else 1.0
    gains[0] = min(1.0, 1.0 / ratio)
    gains[1] = sign * min(1.0, ratio)


FRAME_NATS = 2.0
"""What a longer span must explain for each frame it adds; chance alone explains half a nat."""
LONGER_NATS, LONGER_SHARE = 30.0, 0.3
"""And what it must explain at all: nats, and a share of what the span as found explains."""
LONG_STEPS = (12, 24, 48, 96, 160)
PROBE = 64


@kernel
def span_evidence(
    observed: Vector,
    working: Vector,
    first: int,
    stop: int,
    wall: int,
    context: int,
    order: int,
    rounds: int,
    stretch: int,
) -> float:
    """What an estimate of ``[first, stop)`` would explain, in nats; ``working`` comes back as it was."""
    gains = np.empty(2)
    result = np.empty(3)
    smooth = min(8 * stretch, max(2 * stretch, (stop - first) // 6))
    kept = working[:, first:stop].copy()
    if observed.shape[0] == 1:
        estimate_span(observed[0], working[0], first, stop, context, order, rounds, smooth, result)
        nats = 0.5 * result[1] * (stop - first)
    else:
        gains[0] = 1.0 if wall & 1 else 0.0
        gains[1] = 1.0 if wall & 2 else 0.0
        if wall == 3:
            guess_gains(observed, working, first, stop, order, gains)
        nats = estimate_pair(
            observed[0],
            observed[1],
            working[0],
            working[1],
            first,
            stop,
            context,
            order,
            rounds,
            smooth,
            gains,
            wall == 3,
        )
    working[:, first:stop] = kept
    return nats


@kernel
def lengthen_spans(
    observed: Vector,
    working: Vector,
    spans: NDArray[np.int64],
    walls: NDArray[np.int64],
    sizes: Vector,
    least_size: float,
    longest: int,
    context: int,
    order: int,
    stretch: int,
) -> None:
    """Move the ends of large spans out to where the evidence is best; ``spans`` is changed, ``working`` is not.

    A pulse with a smooth body shows only its edges in the prediction error: filling the edges alone leaves the body.
    The span that holds all of it explains much more. A plain filling of one greater length says whether the search is
    worth its while.
    """
    edge = working.shape[1] - 2 * order
    for i in range(spans.shape[0]):
        if sizes[i] < least_size:
            continue
        first, last, wall = spans[i, 0], spans[i, 1], walls[i]
        room = min(edge, first + longest)
        probe = min(room, last + PROBE * stretch)
        if probe <= last:
            continue
        base = span_evidence(observed, working, first, last, wall, context, order, 1, stretch)
        more = span_evidence(observed, working, first, probe, wall, context, order, 1, stretch) - base
        if more < LONGER_NATS + LONGER_SHARE * base + 0.5 * (probe - last) / stretch:
            continue
        base = span_evidence(observed, working, first, last, wall, context, order, 4, stretch)
        best, best_stop = base, last
        for step in LONG_STEPS:
            stop = last + step * stretch
            if stop > room:
                break
            nats = span_evidence(observed, working, first, stop, wall, context, order, 4, stretch)
            nats -= LONGER_NATS + LONGER_SHARE * base + FRAME_NATS * step
            if nats > best:
                best, best_stop = nats, stop
        spans[i, 1] = best_stop
