"""A wary manner asks its nats where little is damaged, and none of brief damage in a worn groove."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from sidekeep.dsp.impulses.mending import Manner, mend_channels
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
