"""Steps of the curve of two takes: told where they are, and never where a turntable only wavers, drifts or is unsure."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.flow.comparison.laying.jumps import find_jumps

STEP_S = 0.005
MOMENTS = STEP_S * np.arange(int(120.0 / STEP_S))


def curve(
    *steps: tuple[float, float], unsure: tuple[float, float] = (0.0, 0.0), turn_s: float = 1.8
) -> TimeMap:
    """0.4 % off speed, drifting by 0.1 % over two minutes, 0.2 % of wow; ``steps`` are (moment, seconds more)."""
    new_s = 3.0 + 1.004 * MOMENTS + 0.5 * 0.001 / 120.0 * MOMENTS**2
    new_s += 0.002 * turn_s / (2.0 * np.pi) * np.sin(2.0 * np.pi * MOMENTS / turn_s)
    for at_s, more_s in steps:
        # the curve gets over in about two seconds
        new_s += more_s * np.clip((MOMENTS - at_s) / 2.0 + 0.5, 0.0, 1.0)
    sd_s = np.full(len(MOMENTS), 1e-6)
    sd_s[(unsure[0] < MOMENTS) & (unsure[1] > MOMENTS)] = 1.0
    return TimeMap(start_s=0.0, step_s=STEP_S, new_s=new_s, sd_s=sd_s)


@pytest.mark.parametrize("turn_s", [60 / 33.333, 60 / 45.0, 60 / 78.0])
def test_a_turntable_makes_no_step(turn_s: float) -> None:
    assert find_jumps(curve(turn_s=turn_s)) == []
    assert find_jumps(curve(turn_s=turn_s, unsure=(50.0, 55.0))) == []


def test_steps_are_told_in_order_with_their_sign() -> None:
    """A curve that falls back by 20 ms: the new take lacks so much."""
    first, second = find_jumps(curve((80.0, -0.02), (35.0, 0.012)))
    assert (first.at_s, second.at_s) == pytest.approx((35.0, 80.0), abs=1.0)
    assert (first.length_s, second.length_s) == pytest.approx((-0.012, 0.02), abs=0.002)


def test_where_nothing_is_sure_nothing_is_told() -> None:
    """Before the needle is down the curve may lie anywhere."""
    assert find_jumps(curve((6.0, 0.05), unsure=(0.0, 12.0))) == []


def test_a_short_curve() -> None:
    whole = curve()
    short = TimeMap(start_s=0.0, step_s=STEP_S, new_s=whole.new_s[:2000], sd_s=whole.sd_s[:2000])
    assert find_jumps(short) == []


@pytest.mark.parametrize("length_s", [0.012, 0.04, 0.3])
@pytest.mark.parametrize("bend", [-1.0, 1.0])
def test_one_step_is_told_once(length_s: float, bend: float) -> None:
    """Its levels lie some seconds apart, so a speed that changes moves the highest place to one end of a plateau."""
    plain = curve((60.0, -length_s))
    new_s = plain.new_s + bend * 2e-8 * (MOMENTS - 60.0) ** 3
    (jump,) = find_jumps(TimeMap(start_s=0.0, step_s=STEP_S, new_s=new_s, sd_s=plain.sd_s))
    assert jump.at_s == pytest.approx(60.0, abs=0.5)
    assert jump.length_s == pytest.approx(length_s, abs=0.003)
