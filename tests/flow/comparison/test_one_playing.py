"""A take and its copy are one playing, whatever was done to the copy; two playings are not, however steady the player."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.alignment.sinc import read_at
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.dsp.output.resample import resample
from sidekeep.errors import ParameterError
from sidekeep.flow.comparison.combine import prepare
from sidekeep.flow.comparison.compare import compare_takes
from sidekeep.flow.comparison.differences.bands import FramePowers
from sidekeep.flow.comparison.differences.distortion import distortion_of
from sidekeep.flow.comparison.differences.one_playing import keeps_step
from sidekeep.flow.comparison.told.conclusions import conclusions
from tests.flow.comparison.pairs import RATE, Floats, Held, play

SHORT = 16 * RATE


@pytest.fixture(scope="module")
def take() -> Floats:
    return play(11).audio[:SHORT]


@pytest.fixture(scope="module")
def copies(take: Floats) -> dict[str, Held]:
    return {
        "whole": Held(take.copy()),
        "begun later, quieter, 16 bits": Held(np.round(0.5 * take[1234:] * 2**15) / 2**15),
        "shifted by part of a frame, inverted": Held(-read_at(take, np.arange(len(take) - 10) + 0.37)),
        "at another rate": Held(resample(take, rate_hz=RATE, new_rate_hz=44_100), 44_100),
    }


@pytest.mark.parametrize(
    "copy",
    ["whole", "begun later, quieter, 16 bits", "shifted by part of a frame, inverted", "at another rate"],
)
def test_a_take_and_its_copy_are_not_combined(copy: str, take: Floats, copies: dict[str, Held]) -> None:
    with pytest.raises(ParameterError) as caught:
        prepare(Held(take), [copies[copy]])
    assert caught.value.code == "takes-of-one-playing"


def test_two_of_the_other_takes_are_not_one_either(copies: dict[str, Held]) -> None:
    with pytest.raises(ParameterError) as caught:
        prepare(Held(play(12, wow=4e-4).audio[:SHORT]), [copies["whole"], copies["at another rate"]])
    assert caught.value.code == "takes-of-one-playing"


def test_two_playings_that_keep_step_have_noises_of_their_own(take: Floats) -> None:
    """As only a trial can make them: the same sway of the platter to the last digit."""
    assert len(prepare(Held(take), [Held(play(12).audio[:SHORT])]).facts.weights) == 1


def test_a_comparison_says_so(take: Floats, copies: dict[str, Held]) -> None:
    kinds = [one.kind for one in conclusions(compare_takes(Held(take), copies["at another rate"]))]
    # What differs says nothing of disc, stylus or chain; that the copy lacks what the take has not either takes nothing away.
    assert kinds == ["one-playing"]
    assert "one-playing" not in [
        one.kind for one in conclusions(compare_takes(Held(take), Held(play(12).audio[:SHORT])))
    ]


def curve(bend_s: Floats) -> TimeMap:
    moments = 0.005 * np.arange(len(bend_s))
    return TimeMap(
        start_s=0.0, step_s=0.005, new_s=1.00003 * moments + bend_s, sd_s=np.full(len(bend_s), 1e-7)
    )


def test_the_steadiest_player_does_not_keep_step() -> None:
    """A wow of 0.001 % once per turn, a tenth of what DIN 45507 sheets of the best players give (from memory): a sway of
    ``1e-5 * 1.8 / (2 pi)`` = 2.9 microseconds; a clock that is 30 ppm off is no sway."""
    turns = 2 * np.pi * 0.005 * np.arange(4000) / 1.8
    swaying = 1e-5 * 1.8 / (2 * np.pi) * np.sin(turns)
    assert keeps_step(curve(np.zeros(4000)))
    assert not keeps_step(curve(swaying))
    assert keeps_step(curve(swaying), curve(swaying))
    assert not keeps_step(curve(swaying), curve(-swaying))
    assert not keeps_step(curve(np.zeros(600)))


def test_where_nothing_differs_neither_take_holds_more(rng: np.random.Generator) -> None:
    """As of a take beside itself: warnings of arithmetic are errors here."""
    power = rng.uniform(0.5, 1.0, (900, 6, 2)).astype(np.float32)
    power[::10] *= 1e-4  # groove without music
    centres = (500.0, 1000.0, 1600.0, 2500.0, 4000.0, 6300.0)
    powers = FramePowers(
        at_s=np.arange(900.0), old=power, new=power, shared=np.ones_like(power), centres_hz=centres
    )
    found = distortion_of(powers, (0.0, 900.0), (0.0, 900.0))
    assert len(found) == 6
    assert all(abs(one.more_db) < 1e-6 and one.share < 0.2 for one in found)
