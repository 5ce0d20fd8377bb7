"""What a coarse change of rate leaves, against theory; and what good converters, music and noise must not be taken for."""

from __future__ import annotations

import math

import numpy as np
import pytest
import soxr
from numpy.typing import NDArray
from scipy.signal import lfilter, resample_poly

from sidekeep.dsp.level.mirrors import HIGHEST, LOWEST, MirrorMeter, Mirrors

Floats = NDArray[np.float64]
RATES = [
    (22_050, 44_100),
    (24_000, 48_000),
    (32_000, 44_100),
    (44_100, 48_000),
    (44_100, 96_000),
    (48_000, 44_100),
]


def groove(rate_hz: int, seconds: float = 26.0, channels: int = 2) -> Floats:
    """Noise that fades towards the top, and tones that sway, in 16 bits."""
    rng = np.random.default_rng(rate_hz)
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    audio = lfilter([1.0], [1.0, -0.8], rng.normal(0.0, 0.01, (len(time_s), channels)), axis=0)
    for hz in (220.0, 1_270.0, 3_300.0):
        audio += 0.1 * np.sin(2.0 * np.pi * hz * (time_s + 1e-5 * np.sin(3.0 * time_s)))[:, np.newaxis]
    return np.round(np.asarray(audio) * 32_768.0) / 32_768.0


def by_lines(audio: Floats, once_hz: int, rate_hz: int) -> Floats:
    at = np.arange(int(len(audio) * rate_hz / once_hz)) * once_hz / rate_hz
    return np.stack([np.interp(at, np.arange(len(audio)), wall) for wall in audio.T], axis=1)


def by_repeats(audio: Floats, once_hz: int, rate_hz: int) -> Floats:
    return audio[(np.arange(int(len(audio) * rate_hz / once_hz)) * once_hz / rate_hz).astype(int)]


def mirrors_of(audio: Floats, rate_hz: int, block: int = 65_536) -> Mirrors | None:
    meter = MirrorMeter(rate_hz, audio.shape[1])
    for start in range(0, len(audio), block):
        meter.process(audio[start : start + block])
    meter.finish()
    return meter.found()


@pytest.mark.parametrize(("once_hz", "rate_hz"), RATES)
def test_lines_and_repeats_are_told_with_the_rate_the_file_was_once_at(once_hz: int, rate_hz: int) -> None:
    """Downwards a straight line leaves too little to be sure of in half a minute."""
    for change in (by_lines, by_repeats) if once_hz < rate_hz else (by_repeats,):
        found = mirrors_of(change(groove(once_hz), once_hz, rate_hz), rate_hz)
        assert found is not None
        assert found.once_hz == once_hz


@pytest.mark.parametrize(("once_hz", "rate_hz"), RATES)
def test_good_converters_leave_none(once_hz: int, rate_hz: int) -> None:
    audio, common = groove(once_hz), math.gcd(once_hz, rate_hz)
    for raised in (
        soxr.resample(audio, once_hz, rate_hz, quality="VHQ"),
        soxr.resample(audio, once_hz, rate_hz, quality="LQ"),
        resample_poly(audio, rate_hz // common, once_hz // common, axis=0),
    ):
        assert mirrors_of(np.round(raised * 32_768.0) / 32_768.0, rate_hz) is None


@pytest.mark.parametrize(("change", "power"), [(by_lines, 2), (by_repeats, 1)])
def test_how_far_they_lie_under_the_sound_is_as_in_theory(change: object, power: int) -> None:
    """At twice the rate, a sample played twice is a filter of two taps, a straight line that filter twice (Crochiere & Rabiner,
    Multirate Digital Signal Processing, 1983): its gain is cos w at the sound and sin w at the image, w = pi f / (2 once)."""
    audio = np.random.default_rng(3).normal(0.0, 0.1, (26 * 22_050, 1))
    found = mirrors_of(change(audio, 22_050, 44_100), 44_100)  # type: ignore[operator]
    share = np.linspace(LOWEST, HIGHEST, 500)
    assert found is not None
    assert found.image_db == pytest.approx(
        20.0 * power * np.mean(np.log10(np.tan(0.5 * np.pi * share))), abs=0.3
    )


def test_nothing_is_told_of_silence_of_little_and_of_sound_as_it_was_made() -> None:
    assert mirrors_of(np.zeros((10 * 44_100, 2)), 44_100) is None
    assert mirrors_of(by_repeats(groove(22_050, 1.0), 22_050, 44_100), 44_100) is None
    for rate_hz in (8_000, 22_050, 44_100, 48_000, 96_000):
        assert mirrors_of(groove(rate_hz), rate_hz) is None


def test_a_tone_and_its_own_mirror_are_no_change_of_rate() -> None:
    """Two steady tones that add up to 44.1 kHz keep pace, but only they do."""
    time_s = np.arange(30 * 96_000) / 96_000
    tones = 0.2 * np.sin(2.0 * np.pi * 9_000.0 * time_s) + 0.1 * np.sin(2.0 * np.pi * 35_100.0 * time_s)
    assert mirrors_of(groove(96_000, 30.0, 1) + tones[:, np.newaxis], 96_000) is None


def test_an_instrument_made_at_another_rate_is_no_change_of_rate() -> None:
    """Its images begin anew with every note, at any moment; one piece of real music has such."""
    rng, audio = np.random.default_rng(5), groove(44_100, 30.0)
    for at in rng.integers(0, len(audio) - 44_100, 25):
        note = by_lines(groove(48_000, 1.0), 48_000, 44_100)[:44_000] * np.hanning(44_000)[:, np.newaxis]
        audio[at : at + 44_000] += 4.0 * note
    assert mirrors_of(audio, 44_100) is None


def test_what_leaks_in_a_file_that_was_never_rounded_is_no_image() -> None:
    audio = soxr.resample(groove(44_100, 30.0), 44_100, 96_000, quality="VHQ")
    assert mirrors_of(audio, 96_000) is None


def test_blocks_of_any_size_give_the_same_answer() -> None:
    audio = by_lines(groove(32_000, 30.0), 32_000, 44_100)
    whole = mirrors_of(audio, 44_100, len(audio))
    assert whole is not None
    assert whole == mirrors_of(audio, 44_100, 997)
