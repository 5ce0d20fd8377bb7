"""What looks like damage among many of its like that do not is music; damage among damage stays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.peers import AS_LARGE, FEW, NATS, count_peers, peer_nats

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
