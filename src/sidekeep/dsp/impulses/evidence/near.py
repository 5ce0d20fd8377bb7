"""What the place itself tells: how the errors stand out, and what is round them. Cheap to ask.

Conventions: those of ``collect``. All ratios are natural logarithms.
"""

from __future__ import annotations

import math

import numpy as np

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.impulses.candidates import backward_error
from sidekeep.dsp.kernel import inner_kernel

NAMES = (
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

REACH = 512
"""Frames at 48 kHz and below looked at on each side for the relation of the channels and for rivals."""
CORE = 8
"""Frames on each side of the peak that count as the pulse itself."""
WITHOUT_SIGN = np.int64(2**63 - 1)
"""Mask of a number's bits."""


@inner_kernel
def near_evidence(
    own: Vector,
    error: Vector,
    both: Vector,
    scale: float,
    model: Vector,
    peak: int,
    first: int,
    last: int,
    rate_factor: int,
    test: float,
    out: Vector,
) -> None:
    """Fill the numbers of ``NAMES`` for one candidate.

    ``error`` and ``both`` are the channel's forward and two-sided errors, ``scale`` the local scale at the peak, ``model`` its
    predictor; ``test`` is the root of the likelihood ratio at the peak, in scales.
    """
    gain = 0.0
    for k in range(model.shape[0]):
        gain += model[k] * model[k]
    length = own.shape[0]
    order = model.shape[0] - 1
    reach = REACH * rate_factor
    core = CORE * rate_factor
    z, zf, zb = 1e-3 * scale, 1e-3 * scale, 1e-3 * scale
    for n in range(max(0, first), min(length, last)):
        z = max(z, abs(both[n]))
        zf = max(zf, abs(error[n]))
        zb = max(zb, abs(backward_error(own, model, n)))
    z, zf, zb = z / scale, zf / scale, zb / scale
    out[0] = math.log(z)
    out[1] = math.log(zf / z)
    out[2] = math.log(zb / z)
    # rivals: the third largest stretch of 32 frames on each side, against this one
    step = 32 * rate_factor
    sizes, highest = both.view(np.int64), np.zeros(2, np.int64)
    for side in range(2):
        # by their bits without the sign: numbers over 0 are in the same order so, and are compared eight at a time
        top1, top2, top3 = np.int64(0), np.int64(0), np.int64(0)
        at = first - step if side == 0 else last
        crossed = 0
        while crossed < 2 * reach and at >= 0 and at + step <= length:
            most = np.int64(0)
            bits = sizes[at : at + step]
            for n in range(step):
                most = max(most, bits[n] & WITHOUT_SIGN)
            if most > top1:
                top1, top2, top3 = most, top1, top2
            elif most > top2:
                top2, top3 = most, top2
            elif most > top3:
                top3 = most
            at += -step if side == 0 else step
            crossed += step
        highest[side] = top3
    for side in range(2):
        out[3 + side] = math.log(max(highest.view(np.float64)[side], 0.1 * scale) / (scale * z))
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
    most_smooth = 1e3 * scale * scale
    for side in range(2):
        since, until = (max(2, low), begin) if side == 0 else (end, high)
        piece = own[max(0, since - 2) : max(2, until)]
        early, middle, late = piece, piece[1:], piece[2:]
        for n in range(late.shape[0]):
            bend = late[n] - 2.0 * middle[n] + early[n]
            smooth += min(bend * bend, most_smooth)
    for n in range(max(2, begin), end):
        bend = own[n] - 2.0 * own[n - 1] + own[n - 2]
        rough = max(rough, bend * bend)
    out[6] = 0.5 * math.log(rough / (smooth / max(1, high - low - (end - begin)) + 1e-30))
    out[7] = math.log(max(1, last - first) / rate_factor)
    out[8] = 0.5 * math.log(gain)
    out[9] = math.log(scale)
    # how much of the neighbourhood is out of line: crackle, applause, a dense tone
    crowd = 0
    for side in range(2):
        low, high = (max(0, first - 2 * reach), first) if side == 0 else (last, min(length, last + 2 * reach))
        piece = both[low : max(low, high)]
        for n in range(piece.shape[0]):
            crowd += 1 if abs(piece[n]) > 4.0 * scale else 0
    out[10] = math.log(1.0 + crowd / rate_factor)
    out[11] = math.log(test)
