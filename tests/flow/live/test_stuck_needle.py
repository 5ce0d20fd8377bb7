"""A needle that sticks is told while it plays, soon enough to be helped."""

from __future__ import annotations

from typing import Any

import pytest

from sidekeep.flow.live import news
from sidekeep.flow.passes.survey import BLOCK_FRAMES, SurveyRun
from sidekeep.model.audio import AudioFormat
from sidekeep.model.recipe import MendSettings
from sidekeep.press.disc.jumping import Jumped
from tests.flow.stuck_sides import LENGTHS_S, RATE_HZ, SHORT, stuck

SOON_S = 10.0
"""After the needle landed on what it had played: time enough to stand up and help it."""


def told(side: Jumped, monkeypatch: pytest.MonkeyPatch) -> list[tuple[float, dict[str, Any]]]:
    """(second of the take, facts) of what is told of the needle, with all questions paid for."""
    monkeypatch.setattr(news, "_SHARE", 1e9)
    audio = side.pressed.audio
    run = SurveyRun(AudioFormat(rate_hz=RATE_HZ, channels=2, bits=24), mend=MendSettings())
    live = news.LiveNews(run, None)
    found = []
    try:
        for first in range(0, len(audio), RATE_HZ // 2):
            block = audio[first : first + RATE_HZ // 2]
            run.process(block)
            live.heard(block)
            for event in live.look(0):
                if event.code == "live-needle":
                    found.append((event.at_frame / RATE_HZ, dict(event.facts)))
    finally:
        run.abandon()
    return found


def test_a_stuck_needle_is_told_within_seconds_and_told_off(monkeypatch: pytest.MonkeyPatch) -> None:
    side = stuck(6)
    ((start, stop),) = side.spans
    news_of = told(side, monkeypatch)
    at_s, first = news_of[0]
    assert first["goes_on"]
    assert at_s - start / RATE_HZ < SOON_S
    assert abs(first["start_frame"] - start) < 0.06 * RATE_HZ
    assert "volume down" in first["text"]
    turns = [facts["turns"] for _, facts in news_of]
    assert turns == sorted(turns)
    at_s, last = news_of[-1]
    assert (last["turns"], last["goes_on"]) == (6, False)
    assert at_s - stop / RATE_HZ < SOON_S
    assert "6 times more" in last["text"]
    assert sum(not facts["goes_on"] for _, facts in news_of) == 1, "it is told once that it is over"


def test_a_single_jump_back_is_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    (facts,) = [facts for _, facts in told(stuck(1), monkeypatch) if not facts["goes_on"]]
    assert facts["turns"] == 1
    assert "heard twice" in facts["text"]


def test_a_jump_over_several_turns_is_told_once_it_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    side = stuck(1, turns=3, at_s=12.0)
    ((_, stop),) = side.spans
    ((at_s, facts),) = told(side, monkeypatch)
    assert not facts["goes_on"], "it comes free by itself: nobody need get up"
    assert at_s - stop / RATE_HZ < SOON_S
    assert "jumped back at 0:14: 5.4 s (3 turns) were heard twice" in facts["text"]


def test_a_needle_that_jumps_back_over_the_same_turns_is_told_while_it_does(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    side = stuck(5, turns=2, at_s=12.0)
    ((start, stop),) = side.spans
    news_of = told(side, monkeypatch)
    at_s, first = news_of[0]
    assert first["goes_on"]
    assert "plays the same 3.6 s (2 turns)" in first["text"]
    assert at_s - start / RATE_HZ < SOON_S
    assert (news_of[-1][1]["turns"], news_of[-1][1]["goes_on"]) == (5, False)
    assert news_of[-1][0] - stop / RATE_HZ < SOON_S


def test_the_locked_groove_is_nothing_to_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    end_s = sum(LENGTHS_S) + SHORT.lead_in_s + 2.0
    assert told(stuck(8, at_s=end_s + 3.0), monkeypatch) == []


def test_blocks_of_the_survey_leave_time() -> None:
    """Half a block, the wait between two looks and two turns: what the ten seconds are made of."""
    assert 0.5 * BLOCK_FRAMES / RATE_HZ + news.LOOK_S + 2 * 1.8 < SOON_S
