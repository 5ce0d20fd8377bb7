"""Noise and distortion of two takes: each sized where it was put, and only there. One pair holds them all."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.differences.noise import NoiseChange, _hum, low_powers, swing_db
from sidekeep.flow.comparison.laying.laid import Laid
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.wording.findings import finding_text
from tests.flow.comparison.pairs import NOISE, RATE, Floats, Held, play

CHAIN_S, LEAD_S = 4, 2
RUMBLE, HUM = 0.01, 0.004


def bent(audio: Floats, channel: int) -> Floats:
    """The last third of a channel as a worn stylus bends it: products of the music that grow with it."""
    inner = np.clip((np.arange(len(audio)) / len(audio) - 0.66) * 40.0, 0.0, 1.0)
    square = np.square(audio[:, channel])
    audio = audio.copy()
    audio[:, channel] += 0.9 * inner * (square - square.mean())
    return audio


def with_chain(audio: Floats, seed: int) -> Floats:
    """Groove before and after, and the chain with the needle up before and after that."""
    rng = np.random.default_rng(seed)
    noise = NOISE * np.sqrt(3.0 if seed else 1.0)
    ends = [3e-5 * rng.standard_normal((CHAIN_S * RATE, 2)) for _ in range(2)]
    groove = [noise * rng.standard_normal((LEAD_S * RATE, 2)) for _ in range(2)]
    return np.concatenate([ends[0], groove[0], audio, groove[1], ends[1]])


@pytest.fixture(scope="module")
def pair() -> Comparison:
    """Rumble, and distortion on the right, on the old take; hum on the left, thrice the surface noise, and distortion on the
    left, on the new one."""
    old, new = bent(play(1).audio, 1), bent(play(21).audio, 0)
    rng = np.random.default_rng(6)
    rumble = sosfilt(butter(4, [14.0, 40.0], "band", fs=RATE, output="sos"), rng.standard_normal(len(old)))
    old += (RUMBLE / rumble.std()) * rumble[:, None] * [1.0, -1.0]
    new = new + NOISE * np.sqrt(2.0) * rng.standard_normal(new.shape)
    first, second = with_chain(old, 0), with_chain(new, 1)
    second[:, 0] += HUM * np.sqrt(2) * np.sin(2 * np.pi * 50.0 * np.arange(len(second)) / RATE)
    return compare_takes(Held(first), Held(second))


def said(pair: Comparison, kind: str) -> list[str]:
    return [finding_text(one, pair.rate_hz) for one in conclusions(pair) if one.kind == kind]


def test_the_chain_before_the_needle_is_no_groove(pair: Comparison) -> None:
    """The tunes last 43 s, the groove two seconds more on either side, told in steps of half a second."""
    start_s = float(CHAIN_S + LEAD_S)
    assert pair.music_s == pytest.approx((start_s, start_s + 43.0), abs=1.1)
    assert pair.groove_s == pytest.approx((CHAIN_S, start_s + 44.0 + LEAD_S), abs=1.1)


def test_hum_is_sized_and_its_channel_told(pair: Comparison) -> None:
    """The rms of the sine is -47.96 dBFS in one channel, 3.01 dB less as the mean power of two."""
    (hum,) = [change for change in pair.noise if (change.kind, change.part) == ("hum", "all")]
    assert hum.new_dbfs == pytest.approx(20 * np.log10(HUM) - 3.01, abs=0.5)
    assert hum.change_db > 10.0
    assert "most in the left channel" in said(pair, "hum-change")[0]


def test_less_rumble_is_heard_beside_music(pair: Comparison) -> None:
    (change,) = [change for change in pair.noise if (change.kind, change.part) == ("rumble", "all")]
    assert change.old_dbfs == pytest.approx(20 * np.log10(RUMBLE), abs=1.5)
    assert change.change_db < -6.0
    assert said(pair, "rumble-change")


def test_a_rougher_surface_is_sized(pair: Comparison) -> None:
    """Three times the noise power: 10 lg 3 = 4.77 dB."""
    (groove,) = [change for change in pair.noise if (change.kind, change.part) == ("groove", "all")]
    assert groove.change_db == pytest.approx(4.77, abs=0.4)
    assert said(pair, "groove-noise")


def test_distortion_inside_is_told_and_whose_it_is(pair: Comparison) -> None:
    told = {one.channel: one for one in conclusions(pair) if one.kind == "distortion-inner"}
    assert {channel: one.facts["more_on"] for channel, one in told.items()} == {"L": "new", "R": "old"}
    assert {channel: one.severity for channel, one in told.items()} == {"L": "look", "R": "note"}
    for channel in (0, 1):
        share = {one.part: one.share for one in pair.distortion if one.channel == channel}
        assert share["inner"] > 2.0 * share["outer"]


def test_hum_and_a_tone_of_the_music_that_fall_together_otherwise_are_no_change() -> None:
    """Hum of -60 dBFS on both takes; a tone of -71 dBFS at its frequency adds to it on the old take and takes from it on the new
    one: 20 lg 1.28 - 20 lg 0.72 = 5.0 dB. Ten dB more hum is a change all the same."""
    seconds, rate_hz = np.arange(40 * 2000) / 2000, 2000
    sine = np.sqrt(2.0) * np.sin(2 * np.pi * 50.0 * seconds)[:, None] * [1.0, 1.0]
    hiss = 10 ** (-80 / 20) * np.random.default_rng(8).standard_normal((3, *sine.shape))
    level, beside = 10 ** (-60 / 20), 10 ** (-71 / 20)

    def hum(old: float, new: float) -> NoiseChange:
        takes = (old * sine + hiss[0], new * sine + hiss[1])
        laid = Laid(start_s=0.0, first=0, stop=len(sine), old=takes[0], new=takes[1], rate_hz=rate_hz)
        return _hum("all", low_powers(laid).power.astype(np.float64))[0]

    same, more = hum(level + beside, level - beside), hum(level, level * np.sqrt(10.0))
    assert same.old_dbfs - same.new_dbfs == pytest.approx(5.0, abs=0.3)
    for one in (same, *same.channels):
        assert abs(one.change_db) < one.detectable_db
    assert more.change_db == pytest.approx(10.0, abs=0.5)
    assert more.change_db > more.detectable_db
    assert swing_db(-20.0) == pytest.approx(20 * np.log10(1.1 / 0.9))
