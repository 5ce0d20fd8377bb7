"""What looks like damage among many of its like that do not is music; damage among damage stays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.peers import (
    AS_LARGE,
    CROWD,
    DOUBT_AS_LARGE,
    FEW,
    NATS,
    count_peers,
    doubted_nats,
    lower_in_crowds,
    peer_nats,
)

Floats = NDArray[np.float64]


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
    count_peers(peaks, sizes, taken, np.ones(300, dtype=bool), 4_000, nats)
    np.testing.assert_allclose(nats, plain_peers(peaks, sizes, taken, 4_000), atol=1e-12)


def test_a_few_of_a_crowd_that_was_refused_are_refused_too() -> None:
    peaks = np.arange(200) * 400
    odds = np.full(200, -3.0)
    odds[::20] = 4.0
    sizes = np.full(200, 10.0)
    assert not (odds + peer_nats(peaks, sizes, odds, 1.0, 44_100.0) > 1.0).any()
    # a crowd that is damage for the most part stays, and so does what stands far out of the music
    odds = np.where(np.arange(200) % 4 == 0, -3.0, 4.0)
    assert (odds + peer_nats(peaks, sizes, odds, 1.0, 44_100.0) > 1.0).sum() == 150
    odds = np.full(200, -3.0)
    odds[100], sizes[100] = 2.0, 40.0
    assert odds[100] + peer_nats(peaks, sizes, odds, 1.0, 44_100.0)[100] > 1.0


def test_one_alone_keeps_its_odds() -> None:
    nats = peer_nats(np.array([5]), np.array([9.0]), np.array([2.0]), 1.0, 44_100.0)
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
    asked = rng.random(300) < 0.6
    nats = np.zeros(300)
    lower_in_crowds(peaks, sizes, odds, doubts, asked, 1.0, 4_000, nats)
    plain = plain_crowds(peaks, sizes, odds, doubts, asked, 1.0, 4_000)
    assert 20 < np.count_nonzero(plain) < 200
    np.testing.assert_allclose(nats, plain, atol=1e-12)


def test_the_second_judge_rules_where_it_doubts_a_crowd_and_not_over_one_alone() -> None:
    peaks, sizes = np.arange(12) * 1_000, np.full(12, 20.0)
    doubts = np.full(12, -2.0)
    odds = np.full(12, 9.0 - 4.0)
    assert (odds + doubted_nats(peaks, sizes, odds, doubts, 1.0, 44_100.0) < 1.0).all()
    # two are no crowd, and nor are those that are far or much smaller
    assert not doubted_nats(peaks[:2], sizes[:2], odds[:2], doubts[:2], 1.0, 44_100.0).any()
    assert not doubted_nats(40 * peaks, sizes, odds, doubts, 1.0, 44_100.0).any()
    large = np.where(np.arange(12) == 6, 50.0, 20.0)
    assert doubted_nats(peaks, large, odds, doubts, 1.0, 44_100.0)[6] == 0.0
    # where it believes the most of them it rules over none
    doubts[:7] = 3.0
    assert not doubted_nats(peaks, sizes, odds, doubts, 1.0, 44_100.0).any()


def test_what_was_mended_at_the_first_look_is_a_peer_that_was_taken() -> None:
    peaks = np.arange(40) * 1000
    sizes = np.full(40, 10.0)
    odds = np.where(np.arange(40) % 4 == 0, -3.0, 4.0)
    whole = peer_nats(peaks, sizes, odds, 1.0, 44_100.0)
    gone = np.arange(40) % 4 == 1
    here = peaks[~gone], sizes[~gone], odds[~gone]
    mended = peaks[gone], sizes[gone]
    np.testing.assert_array_equal(peer_nats(*here, 1.0, 44_100.0, mended), whole[~gone])
    # a place that is looked at again counts once, as what it is taken for now
    np.testing.assert_array_equal(peer_nats(peaks, sizes, odds, 1.0, 44_100.0, mended), whole)
    # two that are left of a crowd that was mended are damage; of a crowd of which nothing was mended, they are music
    left = np.array([10_500, 10_700]), np.full(2, 10.0), np.array([-3.0, 1.5])
    many = np.sort(np.r_[left[0], 10_500 + 300 * np.arange(1, 9)])
    refused = many, np.full(10, 10.0), np.where(many == 10_700, 1.5, -3.0)
    assert peer_nats(*left, 1.0, 44_100.0, mended)[1] == 0.0
    assert peer_nats(*refused, 1.0, 44_100.0)[many == 10_700][0] < -0.5
    assert (
        peer_nats(*refused, 1.0, 44_100.0, mended)[many == 10_700][0]
        > peer_nats(*refused, 1.0, 44_100.0)[many == 10_700][0]
    )
