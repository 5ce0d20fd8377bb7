"""A pressed needle that jumps: what is in the groove comes back, what each playing adds does not."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.press.disc.jumping import UNSTEADY_DB
from tests.flow.stuck_sides import RATE_HZ, SHORT, stuck


def test_the_take_is_longer_by_the_turns_heard_again() -> None:
    once, six = stuck(1), stuck(6)
    turn = once.pressed.truth.turn_period_s * RATE_HZ
    assert turn == pytest.approx(RATE_HZ * 1.8 / 1.001)
    ((start, stop),) = six.spans
    assert stop - start == pytest.approx(6 * turn, abs=1.0)
    assert len(six.pressed.audio) - len(once.pressed.audio) == pytest.approx(5 * turn, abs=2.0)
    assert six.pressed.truth.needle_up_frame - once.pressed.truth.needle_up_frame == pytest.approx(
        5 * turn, abs=2.0
    )
    first, second = six.pressed.truth.tracks
    assert first.start_frame < start < stop < first.stop_frame < second.start_frame


def test_a_turn_heard_again_is_the_same_but_for_what_is_new_each_time() -> None:
    side = stuck(6)
    ((start, _),) = side.spans
    turn = side.pressed.truth.turn_period_s * RATE_HZ
    audio = side.pressed.twin[:, 0]
    count = 4096
    here = audio[start + 20_000 : start + 20_000 + count]
    where = start + 20_000 - turn
    whole = int(np.floor(where))
    spectrum = np.fft.rfft(audio[whole - count // 2 : whole + count + count // 2])
    bins = np.arange(len(spectrum))
    there = np.fft.irfft(spectrum * np.exp(2j * np.pi * bins * (where - whole) / (2 * count)))[
        count // 2 : -count // 2
    ]
    apart_db = 10.0 * np.log10(np.mean((here - there) ** 2) / np.mean(here**2))
    assert apart_db < -25.0, "music and noise of the groove come back"
    assert np.mean((here - there) ** 2) > 0.5 * 10.0 ** (SHORT.chain_dbfs / 10.0), (
        "the chain's noise does not"
    )
    assert SHORT.hiss_dbfs + UNSTEADY_DB > SHORT.chain_dbfs


def test_damage_comes_back_with_its_turn() -> None:
    side = stuck(6)
    ((start, stop),) = side.spans
    turn = side.pressed.truth.turn_period_s * RATE_HZ
    starts = side.pressed.truth.events["start_frame"]
    before = starts[(starts > start - turn + 5) & (starts < start - 5)]
    for again in range(1, 7):
        later = starts[(starts > start + (again - 1) * turn + 5) & (starts < start + again * turn - 5)]
        assert later - before == pytest.approx(np.full(len(before), again * turn), abs=2.0)
    assert len(before)
    assert np.abs(side.pressed.audio - side.pressed.twin).max() > 0.0
    assert stop > start


def test_a_jump_forward_loses_a_turn() -> None:
    lost, kept = stuck(1, turns=-2), stuck(1)
    turn = kept.pressed.truth.turn_period_s * RATE_HZ
    assert len(kept.pressed.audio) - len(lost.pressed.audio) == pytest.approx(3 * turn, abs=2.0)
    assert lost.spans[0][0] == lost.spans[0][1]


def test_the_same_arguments_give_the_same_samples() -> None:
    assert np.array_equal(stuck.__wrapped__(1).pressed.audio, stuck(1).pressed.audio)
