"""Pairs that can be compared only in part, or not at all: each gets its one clear sentence, and none is taken for the other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import firwin, oaconvolve

from sidekeep.dsp.output.resample import resample
from sidekeep.flow.comparison.combine import prepare
from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.flow.comparison.told.contract import comparison_object
from sidekeep.wording.findings import finding_text
from tests.flow.comparison.pairs import RATE, SHORT, Floats, Held, play, true_times

LIMITS = {
    "polarity",
    "channels-swapped",
    "channel-inverted",
    "compare-dead",
    "compare-silent",
    "compare-short",
    "take-jump",
    "part-only",
    "take-cut",
    "compare-clipped",
    "compare-band",
    "compare-mono",
    "compare-alike",
    "compare-speeds",
    "other-recording",
}


@pytest.fixture(scope="module")
def old() -> Floats:
    return play(1).audio


def told(comparison: Comparison) -> dict[str, str]:
    return {one.kind: finding_text(one, RATE) for one in conclusions(comparison) if one.kind in LIMITS}


def test_a_take_with_a_piece_cut_out(old: Floats) -> None:
    """Five seconds less from 14.0 s on: what lies before is compared, and nothing there is claimed to have changed."""
    old, new = old[: 30 * RATE], play(2).audio[: 30 * RATE]
    new = np.concatenate([new[: 14 * RATE], new[19 * RATE :]])
    comparison = compare_takes(Held(old), Held(new))
    said = told(comparison)
    assert set(said) == {"take-cut", "part-only"}
    assert "About 5.0 s of the music is missing from the new take" in said["take-cut"]
    assert comparison.alignment.curve is not None
    assert 10.0 < comparison.alignment.curve.stop_s < 14.5
    assert {one.kind for one in conclusions(comparison)} <= {"take-cut", "part-only", "unchanged"}
    # the other way about it is the old one that lacks them
    back = told(compare_takes(Held(new), Held(old)))
    assert "About 5.0 s of the music is missing from the old take" in back["take-cut"]


@pytest.mark.parametrize(("missing_s", "lacks"), [(0.02, "new"), (0.1, "old"), (0.33, "new")])
def test_a_moment_cut_out(missing_s: float, lacks: str) -> None:
    """Too little to split the line the takes lie on: told with its length and place, whichever take lacks it; on either side the
    takes lie as closely on each other as if nothing were missing, so that marks are found."""
    first, second = play(1), play(2, speed=1.003, ticks=(20.3, 24.7, 30.1, 35.3))
    place = 26 * RATE
    without = np.concatenate([second.audio[:place], second.audio[place + round(missing_s * RATE) :]])
    pair = (first.audio, without) if lacks == "new" else (without, first.audio)
    comparison = compare_takes(Held(pair[0]), Held(pair[1]))
    (jump,) = comparison.jumps
    assert jump.length_s == pytest.approx(missing_s * (1 if lacks == "new" else -1), abs=5e-4)
    assert jump.at_s == pytest.approx(26.05, abs=0.15 + missing_s)
    assert f"ms of the {lacks} take near 0:2" in told(comparison)["take-jump"]
    marked = "new" if lacks == "new" else "gone"
    assert [mark.state for mark in comparison.marks if mark.state in ("new", "gone")] == 4 * [marked]
    assert {one.kind for one in conclusions(comparison)} <= {
        *("take-jump", "speed-chain", f"{marked}-marks", "unchanged")
    }
    assert comparison.speed_ratio == pytest.approx(1.003 ** (-1 if lacks == "new" else 1), abs=2e-5)
    if lacks == "new":
        # where there is music, and neither the rests nor the moments beside the missing one
        spans = ((2, 9), (13, 20), (24, 25.6), (27, 31), (35, 42))
        at_s = np.concatenate([np.arange(*span, 0.05) for span in spans])
        true_s = true_times(first, second, at_s)
        assert comparison.alignment.curve is not None
        error = comparison.alignment.curve.at(at_s) - true_s + missing_s * (true_s > 26.0)
        assert np.sqrt(np.mean(np.square(error))) * RATE < 0.05


def test_a_take_played_at_another_speed(old: Floats) -> None:
    """A record of 45 rpm taken at 33 1/3: it lasts 1.35 times as long (45 / 33 1/3) and sounds lower; told plainly, its marks
    are found at their place on the take itself, and nothing is claimed that the wrong equalisation would do."""
    old, new = old[:SHORT], play(2, speed=1.002, ticks=(8.3, 17.1)).until(SHORT)
    slow = Held(new.audio, round(RATE / 1.35))
    comparison = compare_takes(Held(old), slow)
    said = told(comparison)
    assert set(said) == {"compare-speeds"}
    assert "old take was played at 45 rpm and the new one at 33 1/3" in said["compare-speeds"]
    assert {one.kind for one in conclusions(comparison)} == {"compare-speeds", "new-marks", "speed-chain"}
    values = comparison_object(comparison, [], "old", "new")
    assert values["alignment"]["speed_ratio"] == pytest.approx(1.35 / 1.002, rel=1e-4)
    assert values["alignment"]["rpm"] == [45.0, 33.333]
    assert [one["start_s"] for one in values["marks"]["new"]] == pytest.approx(
        [1.35 * at_s for at_s in new.marks_s], abs=0.003
    )
    with pytest.raises(ValueError, match=r"played at 45 rpm and another at 33\.3"):
        prepare(Held(old), [slow])


@pytest.mark.parametrize("rate_hz", [8_000, 16_000])
def test_a_take_of_a_low_rate(old: Floats, rate_hz: int) -> None:
    """Above its edge it holds nothing; below it the takes lie on each other to a tenth of its frames, and its marks are found."""
    new = play(2, speed=1.003, ticks=(20.3, 30.1))
    comparison = compare_takes(
        Held(old), Held(resample(new.audio, rate_hz=RATE, new_rate_hz=rate_hz), rate_hz)
    )
    at_s = np.concatenate([np.arange(*span, 0.05) for span in ((2, 9), (13, 20), (24, 31), (35, 42))])
    curve = comparison.alignment.curve
    assert curve is not None
    error = curve.at(at_s) - true_times(play(1), new, at_s)
    assert np.sqrt(np.mean(np.square(error))) * rate_hz < 0.1
    # at 8 kHz little is left of a tick: where the blocks begin by 5 ms decides whether one of them is new or perhaps new
    states = [mark.state for mark in comparison.marks if mark.state in ("new", "perhaps")]
    assert len(states) == 2
    assert states.count("new") >= (1 if rate_hz == 8_000 else 2)
    assert {one.kind for one in conclusions(comparison)} <= {"new-marks", "speed-chain", "unchanged"}


def test_a_clipped_take(old: Floats) -> None:
    new = np.clip(4.0 * play(2).audio[:SHORT], -1.0, 1.0)
    said = told(compare_takes(Held(old[:SHORT]), Held(new)))
    assert set(said) == {"compare-clipped"}
    assert said["compare-clipped"].startswith("The new take is clipped (")


def test_a_take_that_went_through_a_lossy_format(old: Floats) -> None:
    """The low-pass that encoders use at middle rates, 11 kHz of 16; the file itself says nothing of it."""
    taps = firwin(511, 11_000.0, fs=RATE)[:, None]
    new = oaconvolve(play(2).audio[:SHORT], taps, "same", axes=0)
    comparison = compare_takes(Held(old[:SHORT]), Held(new))
    said = told(comparison)
    assert set(said) == {"compare-band"}
    assert "The new take has no sound above 11" in said["compare-band"]
    assert {one.kind for one in conclusions(comparison)} <= {"compare-band", "unchanged"}


def test_a_mono_switch_on_one_evening(old: Floats) -> None:
    """Both channels hold the mean, each with its own converter's noise and gain: compared as mono, nothing is claimed to have
    changed on the disc."""
    new = np.repeat(play(2).audio[:SHORT].mean(axis=1, keepdims=True), 2, axis=1) * [1.0, 0.97]
    new += 10 ** (-90 / 20) * np.random.default_rng(4).standard_normal(new.shape)
    for pair, name in (((old[:SHORT], new), "new"), ((new, old[:SHORT]), "old")):
        comparison = compare_takes(Held(pair[0]), Held(pair[1]))
        said = told(comparison)
        assert set(said) == {"compare-alike"}
        assert f"one sound on the {name} take" in said["compare-alike"]
        assert comparison.channels == (0,)
        assert {one.kind for one in conclusions(comparison)} <= {"compare-alike", "unchanged"}


def test_a_mono_record_taken_twice_stays_stereo() -> None:
    """The same music on both walls, the noise of each wall its own."""
    pair = []
    for number in (1, 2):
        take = play(number)
        noise = 10 ** (-50 / 20) * np.random.default_rng(number).standard_normal((SHORT, 2))
        pair.append(Held(take.audio[:SHORT].mean(axis=1, keepdims=True) + noise))
    comparison = compare_takes(*pair)
    assert comparison.channels == (0, 1)
    assert told(comparison) == {}


def test_an_edge_above_what_is_compared_takes_nothing_away(old: Floats) -> None:
    """Brought to twice the rate the new take has a sharp edge where the old one ends anyway."""
    new = resample(play(2).audio[:SHORT], rate_hz=RATE, new_rate_hz=2 * RATE)
    assert told(compare_takes(Held(old[:SHORT]), Held(new, 2 * RATE))) == {}


def test_a_part_in_mono_is_a_part_in_mono(old: Floats) -> None:
    new = play(2).audio[10 * RATE : 36 * RATE].mean(axis=1, keepdims=True)
    comparison = compare_takes(Held(old), Held(new))
    assert set(told(comparison)) == {"part-only"}
    assert comparison.channels == (0,)
    assert not comparison.mixing


@pytest.mark.parametrize(("inverted", "name"), [([1.0, -1.0], "right"), ([-1.0, 1.0], "left")])
def test_one_channel_inverted(old: Floats, inverted: list[float], name: str) -> None:
    """It is told, put right, and nothing else is claimed."""
    comparison = compare_takes(Held(old[:SHORT]), Held(play(2).audio[:SHORT] * inverted))
    said = told(comparison)
    assert set(said) == {"channel-inverted"}
    assert said["channel-inverted"].startswith(f"The {name} channel has the opposite polarity")
    assert {one.kind for one in conclusions(comparison)} <= {"channel-inverted", "unchanged"}


def test_a_channel_that_is_silent(old: Floats) -> None:
    """Nothing of the living channel is claimed to have changed, and nothing is said of the dead one but that it is dead."""
    comparison = compare_takes(Held(old[:SHORT]), Held(play(2).audio[:SHORT] * [1e-4, 1.0]))
    said = told(comparison)
    assert set(said) == {"compare-dead"}
    assert "nothing in the left channel of the new take" in said["compare-dead"]
    assert {one.kind for one in conclusions(comparison)} <= {"compare-dead", "unchanged"}


def test_takes_that_hold_too_little(old: Floats) -> None:
    old = old[:SHORT]
    silent = compare_takes(Held(old), Held(np.zeros_like(old)))
    assert told(silent) == {"compare-silent": "The new take is silent: there is nothing to compare."}
    short = told(compare_takes(Held(old[: 3 * RATE]), Held(old)))
    assert set(short) == {"compare-short"}
    assert short["compare-short"].startswith("The shorter take lasts 3.0 s")
    for empty in (old[:0], old[:1]):
        assert set(told(compare_takes(Held(empty), Held(old)))) <= {"compare-silent", "compare-short"}


def test_more_than_two_channels_are_refused(old: Floats) -> None:
    three = np.concatenate([old, old[:, :1]], axis=1)
    with pytest.raises(ValueError, match="3 channels: only mono and stereo"):
        compare_takes(Held(three), Held(old))
