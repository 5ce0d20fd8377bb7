"""The quiet line of the survey behind the needle."""

from __future__ import annotations

from typing import Any

import pytest

from sidekeep.cli.texts.live import LiveLine, left_text


def event(code: str, **facts: Any) -> dict[str, Any]:
    return {"code": code, "side": "A", "take": "takes/A-1", "at_frame": 0, "facts": facts}


def track(**facts: Any) -> dict[str, Any]:
    usual = {
        "track": 3,
        "title": "Tallow Street",
        "over": False,
        "sure": 0.95,
        "side_left_s": 431.0,
        "side_left_sd_s": 9.0,
    }
    return event("live-track", **{**usual, **facts})


def test_the_line_says_what_is_known() -> None:
    line = LiveLine()
    assert line.text() == ""
    assert line.hear(event("live-begun")) == ""
    line.hear(event("live-level", sample_peak_dbfs=-20.0, forecast_peak_dbfs=-5.1))
    assert line.text() == "peak -20.0 dBFS, may reach -5"  # before any track is known
    line.hear(track())
    line.hear(event("live-damage", total=214))
    line.hear(event("live-level", sample_peak_dbfs=-7.24, forecast_peak_dbfs=-5.1))
    assert line.text() == (
        "track 3, Tallow Street   about 7:10 left, give or take 10 s   214 places of damage   peak -7.2 dBFS, may reach -5"
    )
    line.hear(track(sure=0.4, side_left_s=None, side_left_sd_s=None))
    assert line.text().startswith("track 3, Tallow Street (perhaps)   214 places")
    line.hear(event("live-level", sample_peak_dbfs=-7.24, forecast_peak_dbfs=-0.2))
    assert line.text().endswith("may reach 0")
    line.hear(track(over=True))
    assert line.text().endswith("peak -7.2 dBFS")  # nothing more is to come
    line.hear(track(sure=0.4, side_left_s=None, side_left_sd_s=None))
    line.hear(event("live-level", sample_peak_dbfs=-7.24, forecast_peak_dbfs=None))
    assert line.text().endswith("peak -7.2 dBFS")
    line.hear(track(over=True))
    assert line.text().startswith("all tracks played   214 places")
    line.hear(event("live-begun"))
    assert line.text() == ""  # another side


@pytest.mark.parametrize(
    ("left_s", "sd_s", "text"),
    [
        (700.0, 90.0, "about 12 min left, not sure"),
        (433.0, 12.0, "about 7:10 left, give or take 10 s"),
        (64.0, 5.0, "about 60 s left"),
        (9.0, 5.0, "nearly over"),
        (100.0, 30.0, "about 1:40 left, give or take 30 s"),
        (100.0, 16.0, "about 1:40 left, give or take 15 s"),
    ],
)
def test_time_left_is_as_exact_as_it_is_known(left_s: float, sd_s: float, text: str) -> None:
    assert left_text(left_s, sd_s) == text


def test_the_lift_leaves_a_line() -> None:
    line = LiveLine()
    said = line.hear(event("live-settled", tracks=5, repairs=312, findings=1))
    assert said == "side A is surveyed: 5 tracks, 312 repairs, 1 finding"
    assert line.is_over()
    assert line.hear(event("live-given-up", reason="died")) == "side A will be surveyed when it is needed"
    assert "not a take" in line.hear(event("live-given-up", reason="trouble", text="not a take"))
    assert "4 files" in line.hear(event("copies-prepared", files=4))
    assert line.hear(event("copies-prepared", files=4, again=True)) == ""


def test_a_stuck_needle_is_said_once_and_stands_in_the_line_until_it_is_free() -> None:
    line = LiveLine()
    line.hear(track())
    stuck = {"turns": 2, "back_turns": 1, "period_s": 1.8, "goes_on": True, "text": "The needle is stuck."}
    assert line.hear(event("live-needle", **stuck)) == "The needle is stuck."
    assert line.text().startswith("needle stuck, turn heard 3 times   track 3")
    assert line.hear(event("live-needle", **{**stuck, "turns": 3})) == ""
    assert line.text().startswith("needle stuck, turn heard 4 times   track 3")
    assert line.hear(event("live-needle", **{**stuck, "back_turns": 3, "period_s": 5.4})) == ""
    assert line.text().startswith("needle stuck, 5.4 s heard 3 times   track 3")
    free = {**stuck, "turns": 4, "goes_on": False, "text": "The needle was stuck."}
    assert line.hear(event("live-needle", **free)) == "The needle was stuck."
    assert line.text().startswith("track 3")
