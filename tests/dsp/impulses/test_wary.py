"""A wary manner asks its nats where little is damaged, and none of brief damage in a worn groove."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from sidekeep.dsp.impulses.mending import Manner, mend_channels, odds_asked, too_unsure
from sidekeep.dsp.impulses.repaired import FATE, LENGTH, MENDED, PEAK

Floats = NDArray[np.float64]
RATE_HZ = 44_100
PLAIN, SURE = Manner(open_at=4.6, odds=1.0), Manner(open_at=4.6, odds=2.5)
WARY = Manner(open_at=4.6, odds=1.0, wary=1.5)


def groove(ticks_a_s: float, seconds: float = 3.0) -> Floats:
    """Smooth noise on two walls with ticks of all sizes, most of them faint."""
    rng = np.random.default_rng(11)
    frames = int(seconds * RATE_HZ)
    planes = lfilter([0.003], [1.0, -1.7, 0.75], rng.standard_normal((2, frames)), axis=1)
    for at in rng.integers(6_000, frames - 6_000, int(ticks_a_s * seconds)):
        wall, size = rng.integers(2), 0.012 * 10.0 ** rng.uniform(-0.5, 0.7)
        planes[wall, at : at + 6] += size * np.array([0.4, 1.0, -0.8, 0.5, -0.3, 0.1])
    return np.ascontiguousarray(planes)


def mended(planes: Floats, manner: Manner) -> list[list[int]]:
    found = mend_channels(planes, 1, RATE_HZ, manner, [], 0, planes.shape[1])
    rows = found.spans[found.spans[:, FATE] == MENDED]
    return sorted(rows[:, [PEAK, LENGTH]].tolist())


def test_little_damage_must_be_surer() -> None:
    """3 ticks a second: wary is what asks as many nats of everything."""
    planes = groove(3.0)
    assert mended(planes, WARY) == mended(planes, SURE)
    assert mended(planes, WARY)


def test_brief_damage_of_a_worn_groove_need_not_be_surer() -> None:
    """200 a second: what is brief is believed as readily as by a manner that is not wary."""
    planes = groove(200.0)
    wary, plain, sure = (len(mended(planes, manner)) for manner in (WARY, PLAIN, SURE))
    assert sure < wary <= plain
    assert plain - wary < 0.5 * (plain - sure)


def test_what_turned_out_to_be_longer_must_be_surer_for_longer() -> None:
    """Where brief damage need be no surer any more, what was found as such and is longer must be; in a worn groove neither.

    With as many nats asked of all, plucked strings on a crackling record cut at 16 kHz got 15 false repairs a minute.
    """
    few, some, many = (odds_asked(WARY, a_s) for a_s in (5.0, 40.0, 300.0))
    assert few.brief == few.grown == some.grown == 2.5
    assert some.brief == many.brief == many.grown == 1.0
    plain = odds_asked(PLAIN, 40.0)
    assert {*plain} == {1.0}


@pytest.mark.parametrize(
    ("length_s", "share_db", "odds", "is_left"),
    [
        (0.0003, -20.0, 1.2, False),
        (0.0006, -20.0, 1.2, True),
        (0.0006, -20.0, 2.6, False),
        (0.002, -10.0, 4.0, True),
        (0.002, -1.0, 4.0, False),
        (0.002, -10.0, 8.0, False),
    ],
)
def test_long_and_quiet_ones_must_be_surest(
    length_s: float, share_db: float, odds: float, is_left: bool
) -> None:
    """At 40 a second; a manner that is not wary leaves none of them."""
    rows = np.array([[1000, 1000 + round(length_s * RATE_HZ), 1001]])
    left = np.ones((2, 1))
    taken_out, sure = left * 10.0 ** (0.1 * share_db), np.array([odds])
    assert too_unsure(rows, taken_out, left, sure, odds_asked(WARY, 40.0), RATE_HZ).tolist() == [is_left]
    assert not too_unsure(rows, taken_out, left, sure, odds_asked(PLAIN, 40.0), RATE_HZ).any()
