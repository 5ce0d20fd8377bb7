"""Marks of two takes: faint ones and loud ones, alone and turn after turn, and what both takes have is nobody's."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.alignment.energy import energy_deviations
from sidekeep.dsp.turn.period import TurnEstimate
from sidekeep.flow.comparison.compare import compare_takes
from sidekeep.flow.comparison.marks.faint import without_faint
from sidekeep.flow.comparison.marks.marks import Mark
from sidekeep.flow.comparison.marks.turns import placed
from tests.flow.comparison.pairs import RATE, Held, play, shared_marks


@pytest.mark.parametrize(("channels", "frames"), [(1, 400), (2, 300), (2, 5)])
def test_energy_is_that_of_the_plain_sum(channels: int, frames: int) -> None:
    rows = np.random.default_rng(4).standard_normal((channels, frames))
    windows = (1, 2, 13)
    found = energy_deviations(rows, windows)
    plain = np.full(frames, -np.inf)
    for window in (min(each, frames) for each in windows):
        for n in range(frames):
            low = min(max(n - window // 2, 0), frames - window)
            energy = np.square(rows[:, low : low + window]).sum()
            plain[n] = max(plain[n], np.sqrt(2 * energy) - np.sqrt(2 * window * channels - 1))
    np.testing.assert_allclose(found, plain, atol=1e-9)


def test_chance_stays_a_few_deviations() -> None:
    """Fisher's approximation: a million normal numbers reach 4.9 deviations (normal tail, 1e-6 two-sided)."""
    rows = np.random.default_rng(5).standard_normal((2, 500_000))
    assert 3.5 < energy_deviations(rows, (13,)).max() < 6.5


def marks_at(
    times: list[float], state: str = "new", sureness: float = 40.0, size_db: float = 12.0
) -> list[Mark]:
    return [
        Mark(start_s=at, stop_s=at + 0.001, channel="both", state=state, size_db=size_db, sureness=sureness)  # type: ignore[arg-type]
        for at in times
    ]


def test_a_long_scratch_is_one_thing_and_dust_beside_it_is_not_of_it() -> None:
    """Forty crossings, every tenth too faint to be heard, the angle creeping by half a millisecond a turn; and dust."""
    scratch = [20.0 + 1.8005 * turn for turn in range(40) if turn % 10 != 3]
    dust = [21.1, 25.9, 33.3]
    turn = TurnEstimate(period_s=1.8, rpm=100.0 / 3.0, sd_ppm=50.0, source="clicks")
    marks = placed(marks_at(sorted(scratch + dust)), turn)
    assert [mark.scratch for mark in marks if mark.start_s in dust] == [None, None, None]
    assert {mark.scratch for mark in marks if mark.start_s not in dust} == {0}
    assert all(mark.angle_deg is not None for mark in marks)


def test_new_and_gone_marks_are_not_one_scratch() -> None:
    turn = TurnEstimate(period_s=1.8, rpm=100.0 / 3.0, sd_ppm=50.0, source="clicks")
    came = marks_at([20.0 + 1.8 * n for n in range(5)])
    went = marks_at([20.0 + 1.8 * n for n in range(5, 10)], "gone")
    assert {mark.scratch for mark in placed(came + went, turn)} == {0, 1}


def states(marks: list[Mark]) -> list[str]:
    return [mark.state for mark in without_faint(marks)]


def test_a_lone_faint_mark_is_not_told_and_a_clear_one_is() -> None:
    assert states(marks_at([20.0], "gone", 15.0)) == ["perhaps"]
    assert states(marks_at([20.0], "gone", 200.0)) == ["gone"]
    assert states(marks_at([20.0], "gone", 15.0, size_db=30.0)) == ["gone"]
    assert states(marks_at([20.0], "gone", 93.0, size_db=10.0)) == ["perhaps"]


def test_faint_marks_are_told_where_they_are_many() -> None:
    """Of a Poisson count with a mean of 1 six or more come up 6 times in 10,000, five or more 37 times (tables of the law); with
    ten differences that are neither six are expected, and six more are nothing."""
    assert states(marks_at([20.0 + n for n in range(6)])) == 6 * ["new"]
    assert states(marks_at([20.0 + n for n in range(5)])) == 5 * ["perhaps"]
    neither = marks_at([40.0 + n for n in range(10)], "changed")
    assert states(marks_at([20.0 + n for n in range(6)]) + neither) == 6 * ["perhaps"] + 10 * ["changed"]


def test_a_faint_mark_beside_clear_ones_is_told() -> None:
    clear = marks_at([20.0 + n for n in range(5)], "new", 200.0)
    assert states(clear + marks_at([40.0])) == 6 * ["new"]
    assert states(clear + marks_at([40.0], "gone")) == [*(5 * ["new"]), "perhaps"]
    assert states(clear[:4] + marks_at([40.0])) == [*(4 * ["new"]), "perhaps"]


def test_a_faint_scratch_is_told() -> None:
    turn = TurnEstimate(period_s=1.8, rpm=100.0 / 3.0, sd_ppm=50.0, source="clicks")
    scratch = placed(marks_at([20.0 + 1.8 * n for n in range(4)]), turn)
    assert states(scratch) == 4 * ["new"]


def test_a_new_tick_beside_an_old_one_is_new() -> None:
    """Half a millisecond behind the loudest tick that both takes have: they are one run of damage, and one of them is new. The ticks
    that both have, laid on each other by a curve that is never quite right, are nobody's."""
    at_s, _ = max((one for one in shared_marks() if 3.0 < one[0] < 13.0), key=lambda one: one[1])
    old, new = play(31), play(32, ticks=(at_s + 0.0005,), wow=4e-4)
    found = compare_takes(Held(old.audio[: 16 * RATE]), Held(new.audio[: 16 * RATE])).marks
    told = [mark.start_s for mark in found if mark.state == "new"]
    assert told == pytest.approx([at_s], abs=0.002)
    assert not [mark for mark in found if mark.state == "gone"]
