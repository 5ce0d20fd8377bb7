"""The turn of the disc is known while it plays: by damage that comes back, or by the sway of an undamaged disc."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.turn.period import estimate_turn_from_sway
from sidekeep.flow.live import news as news_module
from sidekeep.flow.live.news import LiveEvent, LiveNews
from sidekeep.flow.passes.survey import BLOCK_FRAMES, SurveyRun
from sidekeep.model.audio import AudioFormat
from sidekeep.model.recipe import MendSettings

RATE_HZ = 8_000
TURN_S = 1.8015
"""A platter 0.08 % slow: 33 1/3 a minute are 1.8 s (IEC 60098)."""


@pytest.fixture(autouse=True)
def looking_costs_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Questions are spaced by what they cost in real time; here the take runs faster than that."""
    monkeypatch.setattr(news_module, "_SHARE", 1e9)


def looked_at(audio: np.ndarray) -> tuple[list[LiveEvent], SurveyRun]:
    """All news of a take, a look after every block."""
    form = AudioFormat(rate_hz=RATE_HZ, channels=2, bits=24)
    run = SurveyRun(form, mend=MendSettings(enabled=False))
    news, events = LiveNews(run, None), []
    for start in range(0, len(audio), BLOCK_FRAMES):
        block = audio[start : start + BLOCK_FRAMES]
        run.process(block)
        news.heard(block)
        events += news.look(0)
    run.settle()
    return events, run


def swaying(seconds: float, sway: float) -> np.ndarray:
    """Noise of a groove and the slow sway of a warped disc: a shape that comes back every turn."""
    rng = np.random.default_rng(12)
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    audio = rng.normal(0.0, 10 ** (-50 / 20), (len(time_s), 2))
    parts = zip(range(1, 9), rng.uniform(0.0, 2 * np.pi, 8), strict=True)
    shape = sum(np.sin(2 * np.pi * number * time_s / TURN_S + phase) for number, phase in parts)
    return audio + sway * np.stack([shape, -shape], axis=1)  # vertical: a warp lifts the needle


def test_the_turn_is_told_from_the_sway_before_the_side_is_over() -> None:
    events, run = looked_at(swaying(150.0, 4e-4))
    told = [event for event in events if event.code == "live-turn"]
    assert told
    assert {event.facts["from"] for event in told} == {"sway"}
    deviations = [event.facts["sd_ppm"] for event in told]
    assert deviations == sorted(deviations, reverse=True)
    last = told[-1]
    off_ppm = 1e6 * abs(last.facts["period_s"] / TURN_S - 1.0)
    assert off_ppm <= 4.0 * last.facts["sd_ppm"]
    assert off_ppm < 2000.0
    whole = estimate_turn_from_sway(run.meters.noise.sway_series(), run.meters.noise.sway_rate_hz)
    assert whole.period_s == pytest.approx(TURN_S, rel=1e-3)
    run.abandon()


def test_a_disc_that_does_not_sway_has_no_turn_yet() -> None:
    events, run = looked_at(swaying(100.0, 0.0))
    assert [event for event in events if event.code == "live-turn"] == []
    run.abandon()
