"""A record played at another speed than it was cut for is told by the lengths of all its tracks.

33 1/3 and 45 turns a minute: IEC 60098; 78.26: common practice for shellac on 60 Hz mains, no source.
"""

from __future__ import annotations

import pytest

from sidekeep.flow.passes.survey_sums import speed_findings
from sidekeep.flow.tracks.cut import find_cuts
from sidekeep.flow.tracks.wrong_speed import wrong_speed
from sidekeep.model.cuts import SideCuts, Track
from sidekeep.model.measures import Turn
from sidekeep.wording.findings import finding_text
from tests.flow.made_sides import RATE, features_of, make_side, sleeve, tune

PRINTED_S = (201.0, 154.0, 243.0, 187.0)


def played(lengths_s: tuple[float, ...]) -> SideCuts:
    tracks, at = [], 0
    for number, length_s in enumerate(lengths_s, start=1):
        stop = at + round(length_s * RATE)
        tracks.append(Track(number=number, title="", start_frame=at, stop_frame=stop, confidence=0.9))
        at = stop + 2 * RATE
    return SideCuts(
        side="A",
        needle_down_frame=0,
        needle_up_frame=at,
        music_start_frame=0,
        music_stop_frame=at,
        tracks=tuple(tracks),
    )


@pytest.mark.parametrize(
    ("cut_rpm", "played_rpm", "times"), [(45.0, 100 / 3, 1.35), (100 / 3, 45.0, 0.741), (78.26, 45.0, 1.739)]
)
@pytest.mark.parametrize("off_percent", [-1.0, 0.0, 1.0])
def test_the_two_speeds_are_known(
    cut_rpm: float, played_rpm: float, times: float, off_percent: float
) -> None:
    ratio = cut_rpm / played_rpm * (1.0 + off_percent / 100.0)
    off_s = (1.2, -0.8, 0.4, -1.1)
    found = wrong_speed(
        played(tuple(ratio * length_s + off for length_s, off in zip(PRINTED_S, off_s, strict=True))),
        sleeve(PRINTED_S),
        RATE,
    )
    assert found is not None
    assert (found.cut_rpm, found.played_rpm) == (pytest.approx(cut_rpm, abs=0.01), pytest.approx(played_rpm))
    assert found.times == pytest.approx(times, rel=0.02)


@pytest.mark.parametrize(
    "heard_s",
    [
        PRINTED_S,
        tuple(1.01 * length_s for length_s in PRINTED_S),
        tuple(1.2 * length_s for length_s in PRINTED_S),  # no pair of speeds
        (1.35 * 201.0, 1.35 * 154.0, 243.0, 1.35 * 187.0),  # one is as printed
        tuple(1.35 * length_s for length_s in PRINTED_S[:3]),  # one is missing
    ],
)
def test_other_times_are_no_other_speed(heard_s: tuple[float, ...]) -> None:
    assert wrong_speed(played(heard_s), sleeve(PRINTED_S), RATE) is None


def test_short_tracks_that_fit_either_way_say_nothing() -> None:
    assert wrong_speed(played((9.0, 10.0)), sleeve((7.0, 7.5)), RATE) is None


def test_without_times_nothing_is_said() -> None:
    assert wrong_speed(played((100.0, 120.0)), sleeve((None, 90.0)), RATE) is None


def test_a_45_played_at_33_is_told_in_one_sentence_and_not_as_misprints() -> None:
    lengths_s = (33.0, 46.0, 28.0)
    features = features_of(make_side([tune(n, length_s) for n, length_s in enumerate(lengths_s, 1)]).audio)
    _, findings = find_cuts(features, sides=[sleeve([length_s / 1.35 for length_s in lengths_s])])
    told = [finding for finding in findings if finding.kind not in ("unsure-start", "untitled-track")]
    assert [finding.kind for finding in told] == ["wrong-speed"]
    assert finding_text(told[0], RATE) == (
        "Side A: all 3 tracks last about 1.35 times as long as the sleeve says, as a record for 45 rpm does when it is played at "
        "33 1/3. Listen to its pitch; if that is so, record the side again at 45 rpm."
    )


@pytest.mark.parametrize(
    ("rpm", "sd_ppm", "off_percent"),
    [(34.7, 100.0, 4.1), (43.9, 300.0, -2.4), (33.5, 100.0, None), (45.6, 50.0, None), (33.95, 5_000.0, None), (77.9, 10.0, None)],
)  # fmt: skip
def test_a_player_off_its_speed_is_told_by_its_turns(
    rpm: float, sd_ppm: float, off_percent: float | None
) -> None:
    turn = Turn(rpm=rpm, period_s=60.0 / rpm, sd_ppm=sd_ppm, source="sway")
    found = speed_findings(turn, 1_000)
    assert [finding.kind for finding in found] == ([] if off_percent is None else ["speed-off"])
    if off_percent is not None:
        assert found[0].facts["off_percent"] == pytest.approx(off_percent, abs=0.1)


def test_where_no_turn_was_found_nothing_is_said_of_speed() -> None:
    assert speed_findings(Turn(rpm=0.0, period_s=0.0, sd_ppm=1e6, source="none"), 1_000) == []
