"""The needle seen live on pressed sides: down within a second, up at once, never in the music."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.flow.measuring.measures import PeakLoudnessMeter
from sidekeep.flow.needle.gauge import Gauge, GaugeSettings, forecast_peak
from sidekeep.flow.needle.needle_watch import NeedleEvent, NeedleWatch
from sidekeep.flow.needle.tick_watch import once_per_turn
from sidekeep.press.disc.settings import clean_lp, used_lp, worn_lp
from sidekeep.press.disc.side import Piece, Pressed, press_side

RATE_HZ = 44_100


def pressed(settings: object, seed: int, seconds: float = 12.0) -> Pressed:
    random = np.random.default_rng(seed)
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    swell = 0.3 + 0.2 * np.sin(2 * np.pi * 0.3 * time_s)
    music = np.stack([np.sin(2 * np.pi * f * time_s) * swell for f in (330.0, 440.0)], axis=1)
    music += 0.02 * random.standard_normal(music.shape)
    return press_side([Piece(audio=music, title="x")], rate_hz=RATE_HZ, settings=settings, seed=seed)  # type: ignore[arg-type]


def watched(audio: np.ndarray, block: int) -> list[NeedleEvent]:
    watch = NeedleWatch(rate_hz=RATE_HZ, channels=2)
    return [event for at in range(0, len(audio), block) for event in watch.process(audio[at : at + block])]


@pytest.mark.parametrize("preset", [clean_lp, used_lp, worn_lp])
def test_down_and_up_are_seen_where_they_are(preset: object) -> None:
    side = pressed(preset(), 4)  # type: ignore[operator]
    events = watched(side.audio, 4410)
    down = [event for event in events if event.state == "down"]
    up = [event for event in events if event.state == "up"]
    assert abs(down[0].frame - side.truth.needle_down_frame) < 0.5 * RATE_HZ
    assert len(up) == 1
    assert abs(up[0].frame - side.truth.needle_up_frame) < 1.0 * RATE_HZ


def moved(audio: np.ndarray) -> list[NeedleEvent]:
    """What the needle did; that it came to the run-out is left away."""
    return [event for event in watched(audio, 4410) if event.state != "run-out"]


@pytest.mark.parametrize("seconds", [4.0, 9.0])
def test_a_muted_input_is_no_lift(seconds: float) -> None:
    """Noise of the chain before the needle, none at all in the middle of the music: nobody lifted it."""
    side = pressed(used_lp(), 6)
    start = side.truth.needle_down_frame + 5 * RATE_HZ
    side.audio[start : start + round(seconds * RATE_HZ)] = 0.0
    assert [event.state for event in moved(side.audio)] == ["down", "up"]


def test_muted_with_the_needle_up_it_comes_back_as_the_chain() -> None:
    """Five seconds in which somebody has the wrong slider: what is heard after them is no needle."""
    side = pressed(used_lp(), 7)
    idle = side.audio[: side.truth.needle_down_frame - RATE_HZ // 2]
    audio = np.concatenate([idle, idle[::-1], idle, np.zeros((5 * RATE_HZ, 2)), idle, idle[::-1], side.audio])
    before = len(audio) - len(side.audio)
    down, up = moved(audio)
    assert abs(down.frame - before - side.truth.needle_down_frame) < 0.5 * RATE_HZ
    assert abs(up.frame - before - side.truth.needle_up_frame) < 1.0 * RATE_HZ


def test_a_player_that_mutes_itself_with_its_arm_up_ends_a_side() -> None:
    side = pressed(used_lp(), 8)
    side.audio[: side.truth.needle_down_frame - RATE_HZ // 5] = 0.0
    side.audio[side.truth.needle_up_frame + RATE_HZ // 5 :] = 0.0
    assert [event.state for event in moved(side.audio)] == ["down", "up"]


def test_blocks_of_any_size_tell_the_same() -> None:
    audio = pressed(used_lp(), 5, seconds=5.0).audio
    assert watched(audio, 1777) == watched(audio, 44_100) == watched(audio, len(audio))


def test_a_beat_in_the_music_is_no_locked_groove() -> None:
    step_s, random = 0.05, np.random.default_rng(0)
    noise = random.standard_normal(400) * 0.3
    beat = noise.copy()
    beat[::10] += 4.0  # 120 a minute
    turn = noise.copy()
    turn[::36] += 4.0  # 1.8 s
    assert once_per_turn(turn, step_s)
    assert not once_per_turn(beat, step_s)
    assert not once_per_turn(noise, step_s)


def test_the_forecast_covers_the_true_peak_as_often_as_it_says() -> None:
    random = np.random.default_rng(7)
    inside = 0
    for _ in range(300):
        peaks = 10 ** ((-12.0 + 3.0 * random.gumbel(size=132)) / 20.0)
        forecast, sd = forecast_peak(list(peaks[:30]), 1320.0)
        truth = 20 * np.log10(peaks.max())
        inside += abs(truth - forecast) < 2.0 * sd
    assert inside / 300 > 0.85


def test_a_short_side_is_forecast_to_reach_less() -> None:
    """Of the same first minute: a song that is printed with three minutes has fewer loud moments to come than a full side."""
    random = np.random.default_rng(7)
    gauge = Gauge(rate_hz=RATE_HZ, channels=2)
    gauge.process(random.standard_normal((3 * RATE_HZ, 2)) * 1e-4)
    for peak in 0.2 + 0.1 * random.random(6):
        gauge.process(peak * np.clip(0.4 * random.standard_normal((10 * RATE_HZ, 2)), -1.0, 1.0))
    unknown = gauge.reading().forecast_dbfs
    gauge.expect_side(180.0)
    assert gauge.reading().forecast_dbfs < unknown - 0.5
    gauge.expect_side(None)
    assert gauge.reading().forecast_dbfs == unknown


@pytest.mark.parametrize(
    ("gain", "expected"),
    [(0.02, "turn-up"), (0.3, "level-right"), (0.75, "turn-down"), (1.4, "clipped")],
)
def test_advice_says_which_way_to_turn(gain: float, expected: str) -> None:
    random = np.random.default_rng(1)
    gauge = Gauge(rate_hz=RATE_HZ, channels=2, settings=GaugeSettings(side_length_s=40.0))
    gauge.process(random.standard_normal((3 * RATE_HZ, 2)) * 1e-4)
    time_s = np.arange(40 * RATE_HZ) / RATE_HZ
    tone = np.sin(2 * np.pi * 440 * time_s)[:, None] * np.array([1.0, 0.98])
    audio = np.clip(gain * tone * 1.2 + random.standard_normal(tone.shape) * 1e-3, -1.0, 1.0)
    for at in range(0, len(audio), 8820):
        gauge.process(audio[at : at + 8820])
    assert gauge.reading().advice.code == expected


def test_a_passage_within_the_aim_is_right_as_long_as_nothing_louder_is_forecast() -> None:
    """In the first half minute nothing is forecast, and the uncertainty alone is no reason to turn down."""
    random = np.random.default_rng(1)
    gauge = Gauge(rate_hz=RATE_HZ, channels=2)
    gauge.process(random.standard_normal((3 * RATE_HZ, 2)) * 1e-4)
    time_s = np.arange(15 * RATE_HZ) / RATE_HZ
    audio = (0.447 * np.sin(2 * np.pi * 440 * time_s))[:, None] * np.array([1.0, 0.98])  # -7 dBFS
    audio += random.standard_normal(audio.shape) * 1e-3
    for at in range(0, len(audio), 8820):
        gauge.process(audio[at : at + 8820])
    reading = gauge.reading()
    assert reading.forecast_dbfs + reading.forecast_sd_db > -1.0
    assert reading.advice.code == "level-right"


def test_in_the_run_out_nothing_louder_is_expected() -> None:
    """Stretches of very unequal level forecast a peak near full scale, as long as there is music to come."""
    random = np.random.default_rng(1)
    gauge = Gauge(rate_hz=RATE_HZ, channels=2)
    gauge.process(random.standard_normal((3 * RATE_HZ, 2)) * 1e-4)
    time_s = np.arange(40 * RATE_HZ) / RATE_HZ
    rising = 0.45 * 10.0 ** ((np.floor(time_s / 10.0) - 3.0) * 0.3)
    audio = (rising * np.sin(2 * np.pi * 440 * time_s))[:, None] * np.array([1.0, 0.98])
    audio += random.standard_normal(audio.shape) * 1e-3
    for at in range(0, len(audio), 8820):
        gauge.process(audio[at : at + 8820])
    assert gauge.reading().advice.code == "may-be-hot"
    gauge.watch.state = "run-out"
    assert gauge.reading().advice.code == "level-right"


def test_a_reading_is_what_the_meters_of_a_take_say_of_the_same_frames(rng: np.random.Generator) -> None:
    """True peak of all that was looked at, in whatever pieces; momentary loudness of the last 0.4 s (EBU Tech 3341)."""
    gauge = Gauge(rate_hz=RATE_HZ, channels=2)
    step = RATE_HZ // 5
    audio = rng.uniform(-1.0, 1.0, (20 * step, 2)) * rng.uniform(0.05, 0.6, (20, 1)).repeat(step, axis=0)
    audio[7 * step + 5] = np.nan
    seen = -np.inf
    for at in range(0, len(audio), step):
        gauge.process(audio[at : at + step])
        now = at + step
        reading = gauge.reading()
        assert reading.true_peak_dbtp >= seen
        seen = reading.true_peak_dbtp
        if now >= 2 * step:
            last = PeakLoudnessMeter(RATE_HZ, 2)
            last.process(audio[now - 2 * step : now])
            power = np.concatenate(last.powers()).mean()
            assert reading.momentary_lufs == pytest.approx(10 * np.log10(power) - 0.691, abs=1e-9)
    whole = PeakLoudnessMeter(RATE_HZ, 2)
    whole.process(np.nan_to_num(audio))
    assert seen == pytest.approx(20 * np.log10(whole.true_peak()), abs=1e-9)


@pytest.mark.parametrize("tone_hz", [40.0, 440.0, 3000.0])
def test_a_reading_does_not_hear_its_own_two_seconds_begin_and_end(tone_hz: float) -> None:
    """A tone has the true peak of its amplitude wherever the gauge looks: what was not listened to is no silence."""
    gauge = Gauge(rate_hz=RATE_HZ, channels=2)
    tone = 0.5 * np.sin(2 * np.pi * tone_hz * np.arange(12 * RATE_HZ) / RATE_HZ)[:, None].repeat(2, axis=1)
    for number, at in enumerate(range(0, len(tone), 1024)):
        gauge.process(tone[at : at + 1024])
        if number % 5 == 0:
            assert gauge.reading().true_peak_dbtp < 20 * np.log10(0.5) + 0.01
    assert gauge.reading().true_peak_dbtp == pytest.approx(20 * np.log10(0.5), abs=0.1)


def test_watching_from_the_middle_of_a_side_sees_a_needle_that_is_down() -> None:
    # Nobody has heard the chain yet, so it takes some seconds to know it from a gap.
    side = pressed(used_lp(needle_up_tail_s=40.0), 6)
    middle = side.truth.music_start_frame + 2 * RATE_HZ
    events = watched(side.audio[middle:], 4410)
    assert events[0].state == "down"
    assert events[0].frame < RATE_HZ
    assert [event.state for event in events].count("up") == 1
