"""What looks like damage among many of its like that do not is music; damage among damage stays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.peers import (
    AS_LARGE,
    CROWD,
    DOUBT_AS_LARGE,
    DOUBT_WEIGHT,
    FEW,
    NATS,
    count_peers,
    lower_among_peers,
    lower_in_crowds,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
REACH = 13_230
"""Frames: 0.3 s at 44.1 kHz."""


def peer_nats(
    peaks: Ints,
    sizes: Floats,
    odds: Floats,
    mended: tuple[Ints, Floats] = (np.empty(0, np.int64), np.empty(0)),
) -> Floats:
    """What the peers take from the odds."""
    lowered = odds.astype(np.float64)
    lower_among_peers(peaks, sizes, lowered, 1.0, REACH, *mended)
    return lowered - odds


def doubted_nats(peaks: Ints, sizes: Floats, odds: Floats, doubts: Floats) -> Floats:
    """What a doubted crowd takes from the odds."""
    lowered = odds.copy()
    lower_in_crowds(peaks, sizes, lowered, doubts, 1.0, 22_050)
    return lowered - odds


def plain_peers(peaks: NDArray[np.int64], sizes: Floats, taken: NDArray[np.bool_], reach: int) -> Floats:
    nats = np.zeros(len(peaks))
    for i in range(len(peaks)):
        near = (
            (np.abs(peaks - peaks[i]) <= reach)
            & (sizes >= AS_LARGE * sizes[i])
            & (np.arange(len(peaks)) != i)
        )
        nats[i] = -NATS * max(0.0, np.log((FEW + (near & ~taken).sum()) / (FEW + (near & taken).sum())))
    return nats


def test_the_kernel_is_its_plain_twin() -> None:
    rng = np.random.default_rng(1)
    peaks = np.sort(rng.integers(0, 60_000, 300))
    sizes, taken = rng.exponential(8.0, 300), rng.random(300) < 0.3
    nats = np.zeros(300)
    count_peers(peaks, sizes, taken.astype(np.float64), np.ones(300, dtype=bool), 4_000, nats)
    np.testing.assert_allclose(nats, plain_peers(peaks, sizes, taken, 4_000), atol=1e-12)


def test_a_few_of_a_crowd_that_was_refused_are_refused_too() -> None:
    peaks = np.arange(200) * 400
    odds = np.full(200, -3.0)
    odds[::20] = 4.0
    sizes = np.full(200, 10.0)
    assert not (odds + peer_nats(peaks, sizes, odds) > 1.0).any()
    # a crowd that is damage for the most part stays, and so does what stands far out of the music
    odds = np.where(np.arange(200) % 4 == 0, -3.0, 4.0)
    assert (odds + peer_nats(peaks, sizes, odds) > 1.0).sum() == 150
    odds = np.full(200, -3.0)
    odds[100], sizes[100] = 2.0, 40.0
    assert odds[100] + peer_nats(peaks, sizes, odds)[100] > 1.0


def test_one_alone_keeps_its_odds() -> None:
    nats = peer_nats(np.array([5]), np.array([9.0]), np.array([2.0]))
    np.testing.assert_array_equal(nats, [0.0])


def plain_crowds(
    peaks: NDArray[np.int64],
    sizes: Floats,
    odds: Floats,
    doubts: Floats,
    asked: NDArray[np.bool_],
    least: float,
    reach: int,
) -> Floats:
    nats = np.zeros(len(peaks))
    for i in np.flatnonzero(asked & (odds > least)):
        crowd = asked & (np.abs(peaks - peaks[i]) <= reach) & (sizes >= DOUBT_AS_LARGE * sizes[i])
        believed = 1.0 / (1.0 + np.exp(-doubts[crowd]))
        if crowd.sum() >= CROWD and believed.mean() < 0.5:
            nats[i] = min(0.0, doubts[i] - odds[i])
    return nats


def test_the_crowd_s_kernel_is_its_plain_twin() -> None:
    rng = np.random.default_rng(2)
    peaks = np.sort(rng.integers(0, 90_000, 300))
    sizes, odds, doubts = rng.exponential(8.0, 300), rng.normal(3.0, 3.0, 300), rng.normal(0.0, 3.0, 300)
    doubts[rng.random(300) < 0.2] = np.inf
    asked = np.isfinite(doubts) & (odds - DOUBT_WEIGHT * np.minimum(0.0, doubts) > 1.0)
    lowered = odds.copy()
    lower_in_crowds(peaks, sizes, lowered, doubts, 1.0, 4_000)
    plain = plain_crowds(peaks, sizes, odds, doubts, asked, 1.0, 4_000)
    assert 20 < np.count_nonzero(plain) < 200
    assert 100 < asked.sum() < 250
    np.testing.assert_allclose(lowered - odds, plain, atol=1e-12)


def test_the_second_judge_rules_where_it_doubts_a_crowd_and_not_over_one_alone() -> None:
    peaks, sizes = np.arange(12) * 1_000, np.full(12, 20.0)
    doubts = np.full(12, -2.0)
    odds = np.full(12, 9.0 - 4.0)
    assert (odds + doubted_nats(peaks, sizes, odds, doubts) < 1.0).all()
    # two are no crowd, and nor are those that are far or much smaller
    assert not doubted_nats(peaks[:2], sizes[:2], odds[:2], doubts[:2]).any()
    assert not doubted_nats(40 * peaks, sizes, odds, doubts).any()
    large = np.where(np.arange(12) == 6, 50.0, 20.0)
    assert doubted_nats(peaks, large, odds, doubts)[6] == 0.0
    # where it believes the most of them it rules over none
    doubts[:7] = 3.0
    assert not doubted_nats(peaks, sizes, odds, doubts).any()


def test_what_was_mended_at_the_first_look_is_a_peer_that_was_taken() -> None:
    peaks = np.arange(40) * 1000
    sizes = np.full(40, 10.0)
    odds = np.where(np.arange(40) % 4 == 0, -3.0, 4.0)
    whole = peer_nats(peaks, sizes, odds)
    gone = np.arange(40) % 4 == 1
    here = peaks[~gone], sizes[~gone], odds[~gone]
    mended = peaks[gone], sizes[gone]
    np.testing.assert_allclose(peer_nats(*here, mended), whole[~gone], atol=1e-12)
    # a place that is looked at again counts once, as what it is taken for now
    np.testing.assert_allclose(peer_nats(peaks, sizes, odds, mended), whole, atol=1e-12)
    # two that are left of a crowd that was mended are damage; of a crowd of which nothing was mended, they are music
    left = np.array([10_500, 10_700]), np.full(2, 10.0), np.array([-3.0, 1.5])
    many = np.sort(np.r_[left[0], 10_500 + 300 * np.arange(1, 9)])
    refused = many, np.full(10, 10.0), np.where(many == 10_700, 1.5, -3.0)
    assert peer_nats(*left, mended)[1] == 0.0
    assert peer_nats(*refused)[many == 10_700][0] < -0.5
    assert peer_nats(*refused, mended)[many == 10_700][0] > peer_nats(*refused)[many == 10_700][0]
