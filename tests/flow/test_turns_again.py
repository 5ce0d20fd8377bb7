"""A needle that sticks: told at its place, with its turns, and nothing that only sounds like it is told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.cli.main import main
from sidekeep.flow.tracks.side_features import SideFeatures
from sidekeep.flow.tracks.turns_again import (
    TurnAgain,
    groove_noise_of,
    turns_again,
    turns_again_in_music,
    turns_back,
)
from sidekeep.press.disc.jumping import Jumped
from sidekeep.press.disc.settings import PressSettings
from sidekeep.press.disc.side import press_side
from tests.flow.stuck_sides import LENGTHS_S, RATE_HZ, SHORT, bar, looped, pasted, pieces, stuck

Floats = NDArray[np.float64]
SLEEVE = """Vesna Or Nobody - Small Hours (1987)

Side A
A1 Dew on the Crates 0:14
A2 Second Sight 0:18
"""
EDGE_S = 0.06
"""Edges are known to pieces of 23 ms, and the needle's own knock spoils one."""


def heard(audio: Floats, rate_hz: int, block: int = 65_536) -> SideFeatures:
    meter = SideFeatures(rate_hz=rate_hz, channels=audio.shape[1])
    for first in range(0, len(audio), block):
        meter.process(audio[first : first + block])
    return meter


def told(audio: Floats, rate_hz: int) -> list[TurnAgain]:
    meter = heard(audio, rate_hz)
    return turns_again_in_music(meter.finish(), meter.watch)


def surveyed(path: Path, audio: Floats, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    soundfile.write(path / "take.wav", audio, RATE_HZ, subtype="PCM_24")
    (path / "sleeve.txt").write_text(SLEEVE, encoding="utf-8")
    arguments = ["survey", str(path / "take.wav"), "--sleeve", str(path / "sleeve.txt"), "--json"]
    assert main(arguments) == 1, "something is to be done"
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize("times", [1, 6, 60])
def test_a_stuck_needle_is_told_and_the_titles_stay_on_their_music(
    times: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    side = stuck(times)
    survey = surveyed(tmp_path, side.pressed.audio, capsys)
    (finding,) = [each for each in survey["findings"] if each["kind"] == "needle-stuck"]
    ((start, stop),) = side.spans
    assert finding["severity"] == "act"
    assert [finding["start_s"], finding["stop_s"]] == pytest.approx(
        [start / RATE_HZ, stop / RATE_HZ], abs=EDGE_S
    )
    assert "0:11.0" in finding["text"]
    assert ("heard twice" if times == 1 else f"{times} times more") in finding["text"]
    tracks = survey["sides"][0]["tracks"]
    assert [track["title"] for track in tracks] == ["Dew on the Crates", "Second Sight"]
    for track, true in zip(tracks, side.pressed.truth.tracks, strict=True):
        assert abs(track["start_s"] - true.audible_start_frame / RATE_HZ) < 0.5
        assert abs(track["stop_s"] - true.audible_stop_frame / RATE_HZ) < 1.0
    kinds = {each["kind"] for each in survey["findings"]}
    assert not kinds & {"printed-time", "untitled-track", "no-needle-down", "wrong-speed", "track-count"}


@pytest.mark.parametrize(
    ("rpm", "rate_hz"),
    [(100.0 / 3.0, 48_000), (45.0, 44_100), (45.0, 96_000), (78.26, 44_100), (71.29, 44_100)],
)
def test_at_every_speed_and_rate(rpm: float, rate_hz: int) -> None:
    """33 1/3 and 45 are those of IEC 60098, 78.26 that of a motor of 3600 a minute geared 46 to 1 (from memory), 71.29 is one of
    ID3v2.4 (frames, 4.2.3, TMED)."""
    side = stuck(2, rpm=rpm, rate_hz=rate_hz)
    (found,) = told(side.pressed.audio, rate_hz)
    ((start, stop),) = side.spans
    assert found.turns == 2
    assert [found.start_frame / rate_hz, found.stop_frame / rate_hz] == pytest.approx(
        [start / rate_hz, stop / rate_hz], abs=EDGE_S
    )
    assert found.period_s == pytest.approx(side.pressed.truth.turn_period_s, rel=1e-4)


@pytest.mark.parametrize("at_s", [9.07, 9.14, 9.21])
def test_a_single_jump_is_told_wherever_it_lies(at_s: float) -> None:
    """Moments lie on a grid of a quarter of a second: jumps at other places of it."""
    side = stuck(1, at_s=at_s)
    (found,) = told(side.pressed.audio, RATE_HZ)
    ((start, stop),) = side.spans
    assert found.turns == 1
    assert [found.start_frame / RATE_HZ, found.stop_frame / RATE_HZ] == pytest.approx(
        [start / RATE_HZ, stop / RATE_HZ], abs=EDGE_S
    )


def test_one_channel_is_enough() -> None:
    side = stuck(2)
    (found,) = told(side.pressed.audio[:, :1].copy(), RATE_HZ)
    assert found.turns == 2


def test_blocks_of_any_size_give_the_same() -> None:
    side = stuck(1)
    once = heard(side.pressed.audio, RATE_HZ, len(side.pressed.audio))
    noise = groove_noise_of(once.finish(), once.watch)
    assert noise is not None
    whole = turns_again(once.watch, noise, RATE_HZ)
    pieces_of = heard(side.pressed.audio, RATE_HZ, 9_973)
    assert turns_again(pieces_of.watch, noise, RATE_HZ) == whole
    assert len(whole) == 1


@pytest.mark.parametrize(
    ("turns", "times", "rpm"),
    [
        (2, 1, 100.0 / 3.0),
        (5, 2, 100.0 / 3.0),
        (10, 1, 100.0 / 3.0),
        (3, 1, 45.0),
        (2, 1, 78.26),
        (9, 3, 78.26),
    ],
)
def test_a_jump_over_several_turns_is_told(turns: int, times: int, rpm: float) -> None:
    side = stuck(times, turns=turns, rpm=rpm, at_s=22.0)
    (found,) = told(side.pressed.audio, RATE_HZ)
    ((start, stop),) = side.spans
    assert [found.start_frame / RATE_HZ, found.stop_frame / RATE_HZ] == pytest.approx(
        [start / RATE_HZ, stop / RATE_HZ], abs=EDGE_S
    )
    turn_s = side.pressed.truth.turn_period_s
    assert found.period_s == pytest.approx(turns * turn_s, rel=1e-4)
    assert found.turns == times
    assert turns_back(found, turn_s) == turns


def test_without_the_turn_of_the_player_a_jump_goes_by_the_speeds_of_records() -> None:
    """9 s are five turns of 33 1/3, 4 s three of 45 (IEC 60098, from memory); 5.06 s are no whole number of any."""
    counted = [turns_back(TurnAgain(0, 1, each_s, 1), None) for each_s in (9.0, 4.0, 5.06, 1.8, 1.35)]
    assert counted == [5, 3, 0, 1, 1]


def test_a_jump_over_several_turns_is_told_in_seconds_and_turns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    survey = surveyed(tmp_path, stuck(1, turns=3, at_s=12.0).pressed.audio, capsys)
    (finding,) = [each for each in survey["findings"] if each["kind"] == "needle-stuck"]
    assert "at 0:14.0 the needle jumped back, and 5.4 s (3 turns) were heard twice" in finding["text"]
    assert [track["title"] for track in survey["sides"][0]["tracks"]] == ["Dew on the Crates", "Second Sight"]


@pytest.mark.parametrize(
    ("noise_dbfs", "turns"), [(-72.0, 1), (-62.0, 1), (-50.0, 1), (-62.0, 2), (-62.0, 4)]
)
def test_music_that_repeats_with_the_disc_is_not_told(noise_dbfs: float, turns: int) -> None:
    """A loop of one turn to the sample, of two or four, as a bar is at 133.33 and 66.67 beats a minute (four beats in 1.8 and 3.6 s), on a player without wow: only the noise of the groove tells that it goes on."""
    side = looped(1.8 * turns, still(noise_dbfs), times=12 // turns)
    meter = heard(side.audio, RATE_HZ)
    assert turns_again_in_music(meter.finish(), meter.watch) == []
    alike = [moment for moment in meter.watch.moments if not moment.is_edge]
    assert len(alike) > 12, "the loop was not heard as one: the test shows nothing"


def still(noise_dbfs: float) -> PressSettings:
    """A player that does not sway at all, and a clean disc."""
    return SHORT.but(
        hiss_dbfs=noise_dbfs,
        eccentricity_mm=0.0,
        warp=0.0,
        flutter=0.0,
        speed_error=0.0,
        scratches=0,
        dust_per_min=0.0,
    )


def test_a_louder_side_in_the_same_take_makes_no_groove_of_music_that_repeats() -> None:
    quiet = looped(2.0, still(-66.0))
    longer = [*pieces(), *pieces(), *pieces()]
    loud = press_side(longer, rate_hz=RATE_HZ, settings=still(-54.0), seed=9)
    assert told(np.concatenate([quiet.audio, loud.audio]), RATE_HZ) == []


@pytest.mark.parametrize("settings", [still(-62.0), SHORT], ids=["still", "used"])
def test_a_chorus_put_together_of_one_recording_is_not_told(settings: PressSettings) -> None:
    side = pasted(settings)
    meter = heard(side.audio, RATE_HZ)
    assert turns_again_in_music(meter.finish(), meter.watch) == []
    alike_s = [moment.delay_frames / RATE_HZ for moment in meter.watch.moments if not moment.is_edge]
    assert sum(8.9 < each_s < 16.4 for each_s in alike_s) > 20, (
        "the chorus was not heard as one: the test shows nothing"
    )


def test_what_repeats_without_a_groove_is_not_told() -> None:
    """Files that were never on a disc: a loop alone, a loop between silences, hum, silence."""
    piece = pieces()[0]
    loop = np.concatenate([bar(1.8)] * 12)
    rest = np.zeros((2 * RATE_HZ, 2))
    t_s = np.arange(20 * RATE_HZ) / RATE_HZ
    hum = (
        0.1 * sum(np.sin(2.0 * np.pi * 50.0 * n * t_s) / n for n in range(1, 40))[:, np.newaxis] * np.ones(2)
    )
    again = np.concatenate([rest, piece.audio, piece.audio[: 6 * RATE_HZ], rest])
    for audio in (
        loop,
        np.concatenate([rest, loop, rest, piece.audio]),
        again,
        hum,
        np.zeros((20 * RATE_HZ, 2)),
    ):
        assert told(np.ascontiguousarray(audio), RATE_HZ) == []


def test_the_locked_groove_may_hold_the_needle() -> None:
    """The same turn again and again after the music, which is how a side ends (IEC 60098, the concentric finishing groove; from
    memory)."""
    end_s = sum(LENGTHS_S) + SHORT.lead_in_s + 2.0
    side = stuck(8, at_s=end_s + 3.0)
    meter = heard(side.pressed.audio, RATE_HZ)
    noise = groove_noise_of(meter.finish(), meter.watch)
    assert noise is not None
    assert [each.turns for each in turns_again(meter.watch, noise, RATE_HZ)] == [8]
    assert turns_again_in_music(meter.finish(), meter.watch) == []


def test_the_run_out_may_be_heard_again() -> None:
    """Three turns of silent groove after the music, over again: nothing is lost by it."""
    end_s = sum(LENGTHS_S) + SHORT.lead_in_s + 2.0
    assert told(stuck(2, turns=3, at_s=end_s + 6.0).pressed.audio, RATE_HZ) == []


def test_a_jump_forward_is_no_turn_heard_again() -> None:
    assert told(lost(1).pressed.audio, RATE_HZ) == []


def lost(turns: int) -> Jumped:
    return stuck(1, turns=-turns)
