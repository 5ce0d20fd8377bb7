"""Damage among its peers: what looks like damage while most of what is like it nearby does not, is music.

Conventions: candidates of one channel in order of time; sizes in scales. The pulses of a reed, a brass shock, a quill or a hard
oscillator are a crowd of one kind: a few of them, by chance, pass for damage. Damage stands out of the music, or comes as a crowd
that is damage for the most part. So the peers of a candidate, those within ``REACH_S`` that are about as large or larger,
are counted: how many were taken for damage, how many refused. It is the share of damage re-estimated once more, for this
place and this size.

The second judge is asked in the same way: where it doubts the most of a crowd, its word alone counts for all of it
(``lower_in_crowds``). For one place by itself it is too quick to doubt; a crowd of pulses is what it was fitted to know.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

REACH_S = 0.3
"""A note or two: long enough for ten pulses of a low voice."""
AS_LARGE = 0.7
"""Share of a candidate's size from which another is its peer."""
NATS = 3.0
"""By how many times the logarithm of refused over taken the odds sink: 1 is a prior of independent places. But the pulses of an
instrument are alike, and so are the errors made about them."""
FEW = 2
"""Added to both counts: so few peers say little."""
ROUNDS = 3
"""What is refused for its peers makes the case of the next one weaker."""
DOUBT_WEIGHT = 2.0
"""By what the second judge's doubt counts: pulses of an instrument are alike, and so are the errors made about them."""
DOUBT_REACH_S, DOUBT_AS_LARGE = 0.5, 0.5
"""The same reach and size for the crowd that the second judge is asked about: ten pulses of the lowest voice."""
CROWD = 3
"""Candidates, the one that is asked for among them, that make a crowd."""


@inner_kernel
def lower_among_peers(
    peaks: Ints,
    sizes: Floats,
    odds: Floats,
    least: float,
    reach: int,
    mended_peaks: Ints,
    mended_sizes: Floats,
) -> None:
    """Lower the odds of each candidate for its peers; ``least`` are the odds from which it is taken, ``reach`` is in frames.

    ``mended_peaks`` and their sizes, in order, are of what was taken at a first look. It is no candidate any more, but a peer
    that was taken all the same; else a crowd would be judged by those of it that are still there, the refused ones.
    """
    count, gone = peaks.shape[0], mended_peaks.shape[0]
    every, size, sure = np.empty(count + gone, np.int64), np.empty(count + gone), np.empty(count + gone)
    own, n, k = np.empty(count, np.int64), 0, 0
    for i in range(count + 1):
        while k < gone and (i == count or mended_peaks[k] <= peaks[i]):
            # what is looked at again counts once, as what it is taken for now
            if i == count or mended_peaks[k] < peaks[i]:
                every[n], size[n], sure[n] = mended_peaks[k], mended_sizes[k], np.inf
                n += 1
            k += 1
        if i < count:
            every[n], size[n], sure[n] = peaks[i], sizes[i], odds[i]
            own[i] = n
            n += 1
    nats, taken = np.zeros(n), np.empty(n)
    for _ in range(ROUNDS):
        some = 0.0
        for i in range(n):
            taken[i] = 1.0 if sure[i] + nats[i] > least else 0.0
            some += taken[i]
        if some == 0.0:
            break
        count_peers(every[:n], size[:n], taken, sure[:n] > least, reach, nats)
    for i in range(count):
        odds[i] += nats[own[i]]


@inner_kernel
def neighbours(peaks: Ints, i: int, reach: int, low: int, high: int) -> tuple[int, int]:
    """The candidates within ``reach`` of the i-th, half-open; ``low`` and ``high`` are those of the one before it, or 0."""
    while peaks[low] < peaks[i] - reach:
        low += 1
    while high < peaks.shape[0] and peaks[high] <= peaks[i] + reach:
        high += 1
    return low, high


@inner_kernel
def count_peers(peaks: Ints, sizes: Floats, taken: Floats, asked: Flags, reach: int, nats: Floats) -> None:
    """``nats[i]``, 0 or less, of every candidate that is ``asked`` for, from the peers on both sides; ``taken``: 1 or 0."""
    low, high = 0, 0
    for i in range(peaks.shape[0]):
        low, high = neighbours(peaks, i, reach, low, high)
        if not asked[i]:
            continue
        # itself left out
        peers, yes = -1.0, -taken[i]
        size, was = sizes[low:high], taken[low:high]
        for j in range(high - low):
            large = 1.0 if size[j] >= AS_LARGE * sizes[i] else 0.0
            peers += large
            yes += large * was[j]
        nats[i] = -NATS * max(0.0, math.log((FEW + peers - yes) / (FEW + yes)))


@inner_kernel
def lower_in_crowds(
    peaks: Ints, sizes: Floats, odds: Floats, doubts: Floats, least: float, reach: int
) -> None:
    """Lower the odds of each candidate over ``least`` to the second judge's where it doubts a crowd within ``reach`` frames.

    ``doubts`` are the second judge's log odds, infinite where it was not asked; where it doubts, ``DOUBT_WEIGHT`` times its doubt
    was taken from ``odds`` already. Its crowd are those near, half as large and more,
    that would be taken but for its doubt; it doubts them when it believes less than half of them.
    """
    count = peaks.shape[0]
    asked, believed = np.zeros(count), np.zeros(count)
    for i in range(count):
        if math.isfinite(doubts[i]) and odds[i] - DOUBT_WEIGHT * min(0.0, doubts[i]) > least:
            asked[i], believed[i] = 1.0, 1.0 / (1.0 + math.exp(-min(30.0, max(-30.0, doubts[i]))))
    low, high = 0, 0
    for i in range(count):
        low, high = neighbours(peaks, i, reach, low, high)
        if odds[i] <= least or asked[i] == 0.0:
            continue
        crowd, sure = 0.0, 0.0
        size, one, word = sizes[low:high], asked[low:high], believed[low:high]
        for j in range(high - low):
            large = 1.0 if size[j] >= DOUBT_AS_LARGE * sizes[i] else 0.0
            crowd += large * one[j]
            sure += large * word[j]
        if crowd >= CROWD and 2.0 * sure < crowd:
            odds[i] = min(odds[i], doubts[i])
