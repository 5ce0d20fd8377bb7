"""Damage among its peers: what looks like damage while most of what is like it nearby does not, is music.

Conventions: candidates of one channel in order of time; sizes in scales. The pulses of a reed, a brass shock, a quill or a hard
oscillator are a crowd of one kind: a few of them, by chance, pass for damage. Damage stands out of the music, or comes as a crowd
that is damage for the most part. So the peers of a candidate, those within ``REACH_S`` that are about as large or larger,
are counted: how many were taken for damage, how many refused. It is the share of damage re-estimated once more, for this
place and this size.

The second judge is asked in the same way: where it doubts the most of a crowd, its word alone counts for all of it
(``doubted_nats``). For one place by itself it is too quick to doubt; a crowd of pulses is what it was fitted to know.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel, kernel

Floats = NDArray[np.float64]

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


def peer_nats(
    peaks: NDArray[np.int64],
    sizes: Floats,
    odds: Floats,
    least: float,
    rate_hz: float,
    mended: tuple[NDArray[np.int64], Floats] | None = None,
) -> Floats:
    """Nats, 0 or less, to add to the odds of each candidate; ``least`` are the odds from which it is taken.

    ``mended``: peaks and sizes, in order, of what was taken at a first look. It is no candidate any more, but a peer that was
    taken all the same; else a crowd would be judged by those of it that are still there, the refused ones.
    """
    count = len(peaks)
    if mended is not None:
        gone = ~np.isin(mended[0], peaks)
        every = np.concatenate([peaks, mended[0][gone]])
        order = np.argsort(every, kind="stable")
        sure = np.full(len(every) - count, np.inf)
        peaks, sizes = every[order], np.concatenate([sizes, mended[1][gone]])[order]
        odds = np.concatenate([odds, sure])[order]
    nats = np.zeros(len(peaks))
    for _ in range(ROUNDS):
        taken = odds + nats > least
        if not taken.any():
            break
        count_peers(peaks, sizes, taken, odds > least, int(REACH_S * rate_hz), nats)
    if mended is None:
        return nats
    own = np.empty(len(nats))
    own[order] = nats
    return own[:count]


@inner_kernel
def neighbours(peaks: NDArray[np.int64], i: int, reach: int, low: int, high: int) -> tuple[int, int]:
    """The candidates within ``reach`` of the i-th, half-open; ``low`` and ``high`` are those of the one before it, or 0."""
    while peaks[low] < peaks[i] - reach:
        low += 1
    while high < peaks.shape[0] and peaks[high] <= peaks[i] + reach:
        high += 1
    return low, high


@kernel
def count_peers(
    peaks: NDArray[np.int64],
    sizes: Floats,
    taken: NDArray[np.bool_],
    asked: NDArray[np.bool_],
    reach: int,
    nats: Floats,
) -> None:
    """``nats[i]`` of every candidate that is ``asked`` for, from the peers on both sides."""
    low, high = 0, 0
    for i in range(peaks.shape[0]):
        low, high = neighbours(peaks, i, reach, low, high)
        if not asked[i]:
            continue
        yes, no = FEW, FEW
        for j in range(low, high):
            if j != i and sizes[j] >= AS_LARGE * sizes[i]:
                if taken[j]:
                    yes += 1
                else:
                    no += 1
        nats[i] = -NATS * max(0.0, math.log(no / yes))


def doubted_nats(
    peaks: NDArray[np.int64], sizes: Floats, odds: Floats, doubts: Floats, least: float, rate_hz: float
) -> Floats:
    """Nats, 0 or less, to add to ``odds`` so that they are no better than the second judge's where it doubts a crowd.

    ``doubts`` are the second judge's log odds, infinite where it was not asked; where it doubts, ``DOUBT_WEIGHT`` times its doubt
    was taken from ``odds`` already. Its crowd are those near, half as large and more,
    that would be taken but for its doubt; it doubts them when it believes less than half of them.
    """
    nats = np.zeros(len(peaks))
    asked = np.isfinite(doubts) & (odds - DOUBT_WEIGHT * np.minimum(0.0, doubts) > least)
    lower_in_crowds(peaks, sizes, odds, doubts, asked, least, int(DOUBT_REACH_S * rate_hz), nats)
    return nats


@kernel
def lower_in_crowds(
    peaks: NDArray[np.int64],
    sizes: Floats,
    odds: Floats,
    doubts: Floats,
    asked: NDArray[np.bool_],
    least: float,
    reach: int,
    nats: Floats,
) -> None:
    """``nats[i]`` of every candidate over ``least``, from the crowd on both sides."""
    low, high = 0, 0
    for i in range(peaks.shape[0]):
        low, high = neighbours(peaks, i, reach, low, high)
        if odds[i] <= least or not asked[i]:
            continue
        crowd, believed = 0, 0.0
        for j in range(low, high):
            if asked[j] and sizes[j] >= DOUBT_AS_LARGE * sizes[i]:
                crowd += 1
                believed += 1.0 / (1.0 + math.exp(-min(30.0, max(-30.0, doubts[j]))))
        if crowd >= CROWD and 2.0 * believed < crowd:
            nats[i] = min(0.0, doubts[i] - odds[i])
