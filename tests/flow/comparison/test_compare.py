"""Pairs of takes whose difference is known: laid on each other, what changed is found, what did not is not claimed."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from sidekeep.flow.comparison.combine import prepare
from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.differences.bands import third_octave_centres
from sidekeep.flow.comparison.laying.alignment import align_takes
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.flow.comparison.told.contract import comparison_object
from sidekeep.flow.comparison.told.evening import Evening, OtherRecord
from sidekeep.flow.comparison.told.said import finding
from sidekeep.model.finding import Channel
from sidekeep.wording.findings import finding_text
from tests.flow.comparison.pairs import RATE, SHORT, Held, Take, play, true_times

NEW_TICKS = (5.3, 12.1, 16.7, 19.3)


@pytest.fixture(scope="module")
def old() -> Take:
    return play(1)


@pytest.fixture(scope="module")
def again(old: Take) -> Comparison:
    return compare_takes(Held(old.audio), Held(play(2).audio))


def kinds(comparison: Comparison) -> set[str]:
    return {finding.kind for finding in conclusions(comparison)}


def test_aligned_to_a_twentieth_of_a_frame_where_there_is_music(old: Take) -> None:
    """Other speed, level, start and polarity, the rest of the wow of another player."""
    new = play(3, speed=1.004, wow=8e-4, gain=-0.5)
    start = 3 * RATE // 2
    alignment = align_takes(Held(old.audio), Held(new.audio[start:]))
    assert alignment.curve is not None
    assert alignment.sign == -1.0
    # the tunes without their last two seconds, in which they fade and rest
    at_s = np.concatenate([np.arange(first + 2.0, first + 9.0, 0.05) for first in (0.0, 11.0, 22.0, 33.0)])
    curve = alignment.curve
    sd = np.interp(at_s, curve.start_s + curve.step_s * np.arange(len(curve.sd_s)), curve.sd_s) * RATE
    error = (curve.at(at_s) - (true_times(old, new, at_s) - start / RATE)) * RATE
    assert np.sqrt(np.mean(np.square(error))) < 0.05
    assert np.median(np.abs(error) / sd) < 2.0
    assert curve.speed_ratio == pytest.approx(1 / 1.004, rel=1e-4)


def test_another_rate_and_swapped_channels(old: Take) -> None:
    from sidekeep.dsp.output.resample import resample

    new = resample(play(4).audio[:SHORT], rate_hz=RATE, new_rate_hz=44_100)[:, ::-1]
    alignment = align_takes(Held(old.audio[:SHORT]), Held(np.ascontiguousarray(new), 44_100))
    assert alignment.is_same
    assert alignment.is_swapped


def test_nothing_is_claimed_when_nothing_changed(again: Comparison) -> None:
    assert kinds(again) == {"unchanged"}
    assert len(again.persisting_s) > 10


def test_new_ticks_are_found_and_old_ones_are_not_new(old: Take) -> None:
    new = play(5, ticks=NEW_TICKS)
    comparison = compare_takes(Held(old.audio[:SHORT]), Held(new.audio[:SHORT]))
    told = sorted(mark["start_s"] for mark in comparison_object(comparison, [], "a", "b")["marks"]["new"])
    np.testing.assert_allclose(told, new.marks_s, atol=0.002)
    assert "new-marks" in kinds(comparison)


def test_marks_that_went_are_gone(old: Take) -> None:
    comparison = compare_takes(Held(play(5, ticks=NEW_TICKS[:2]).audio[:SHORT]), Held(old.audio[:SHORT]))
    assert sum(mark.state == "gone" for mark in comparison.marks) == 2
    assert not [mark for mark in comparison.marks if mark.state == "new"]


def test_a_scratch_is_one_thing(old: Take) -> None:
    new = play(6, ticks=tuple(2.0 + 1.8 * turn for turn in range(12)))
    comparison = compare_takes(Held(old.audio[:SHORT]), Held(new.audio[:SHORT]))
    numbers = {mark.scratch for mark in comparison.marks if mark.state == "new"}
    assert comparison.turn.period_s == pytest.approx(1.8, rel=1e-3)
    assert numbers == {0}


def test_lost_treble_is_sized(old: Take) -> None:
    new, wear_db = play(7).audio, 0.5
    low = sosfilt(butter(1, 3000.0, "low", fs=RATE, output="sos"), new, axis=0)
    gain = 10 ** (-wear_db / 20)
    inward = np.linspace(0.0, 1.0, len(new))[:, None]
    worn = new + inward * (gain - 1.0) * (new - low)
    comparison = compare_takes(Held(old.audio), Held(worn))
    inner = [
        b for b in comparison.bands if b.part == "inner" and 8000 < b.hz < 13_000 and np.isfinite(b.change_db)
    ]
    outer = [
        b for b in comparison.bands if b.part == "outer" and 8000 < b.hz < 13_000 and np.isfinite(b.change_db)
    ]
    assert inner
    change = np.mean([b.change_db for b in inner]) - np.mean([b.change_db for b in outer])
    assert change == pytest.approx(-wear_db * (5 / 6 - 1 / 6), abs=0.12)


def test_a_quieter_chain_is_the_chain(old: Take) -> None:
    comparison = compare_takes(Held(old.audio[:SHORT]), Held(0.7 * play(8).audio[:SHORT]))
    assert kinds(comparison) <= {"level-chain", "unchanged", "groove-noise"}
    assert comparison.level_change_db(0) == pytest.approx(20 * np.log10(0.7), abs=0.05)
    others = [OtherRecord(name="b", level_db=-3.1), OtherRecord(name="c", level_db=-3.0)]
    told = conclusions(comparison, Evening(others=others))
    assert any("2 of 2 other records" in finding_text(finding, RATE) for finding in told)


def test_another_recording_is_refused(old: Take) -> None:
    comparison = compare_takes(Held(old.audio), Held(np.ascontiguousarray(old.audio[::-1])))
    assert not comparison.alignment.is_same
    assert kinds(comparison) == {"other-recording"}


def test_a_part_of_the_side_is_told(old: Take) -> None:
    comparison = compare_takes(Held(old.audio), Held(play(9).audio[:SHORT]))
    assert "part-only" in kinds(comparison)


def test_mono_beside_stereo(old: Take) -> None:
    new = play(10).audio[:SHORT].mean(axis=1, keepdims=True)
    comparison = compare_takes(Held(old.audio[:SHORT]), Held(np.ascontiguousarray(new)))
    assert comparison.alignment.is_same
    assert not comparison.mixing


def test_the_object_is_plain_json(again: Comparison) -> None:
    values = comparison_object(again, conclusions(again), "old", "new")
    assert json.loads(json.dumps(values, allow_nan=False)) == values
    assert set(values["alignment"]) >= {"offset_s", "speed_ratio", "sd_frames"}
    assert set(values["bands"][0]) >= {"hz", "left_db", "right_db", "detectable_db"}


def test_left_and_right_are_one_line_for_a_person(again: Comparison) -> None:
    both: tuple[Channel, Channel] = ("L", "R")
    found = [finding("treble-worn", "look", {"change_db": -1.0, "hz": 1e4}, channel=side) for side in both]
    (line,) = comparison_object(again, found, "old", "new")["lines"]
    assert (line["kind"], line["severity"]) == ("treble-worn", "look")
    assert "left -1.0 dB at 10 kHz and right -1.0 dB at 10 kHz" in line["text"]


def test_third_octave_bands_are_those_of_the_standard() -> None:
    """Nominal mid-band frequencies of IEC 61260-1:2014, annex E, within half a per cent of the exact ones."""
    nominal = [63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000]
    np.testing.assert_allclose(third_octave_centres(63.0, 2000.0), nominal, rtol=0.015)


def test_combining_another_recording_is_refused(old: Take) -> None:
    with pytest.raises(ValueError, match="not takes of one side"):
        prepare(Held(old.audio), [Held(np.ascontiguousarray(old.audio[::-1]))])
