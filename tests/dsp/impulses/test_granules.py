"""Takes that were decoded from an MP3 are known by what its encoder rounded to nothing; nothing else is taken for one."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import lfilter

from sidekeep.dsp.impulses.band import BandWatch
from sidekeep.dsp.impulses.granules import GRANULE, GranuleWatch, emptiness, response_of

Floats = NDArray[np.float64]
FRAMES = 140_000


def groove(frames: int = FRAMES, dbfs: float = -58.0, seed: int = 3) -> Floats:
    """Noise of a groove under tones that come and go, both walls, (2, frames)."""
    rng = np.random.default_rng(seed)
    t = np.arange(frames) / 44_100
    tones = sum(np.sin(2.0 * np.pi * 220.0 * k * t + k) * np.exp(-3.0 * (t % 0.5)) / k for k in range(1, 30))
    noise = lfilter([1.0], [1.0, -0.4], rng.standard_normal((2, frames)), axis=1)
    return np.asarray(0.05 * tones + 10.0 ** (dbfs / 20.0) * noise)


@cache
def decoded(kbit_s: int, rate_hz: int = 44_100, channels: int = 2) -> Floats:
    """Through an encoder at a constant rate and back, rounded to 16 bits."""
    lowest, highest = 32.0, 320.0
    file = io.BytesIO()
    soundfile.write(
        file,
        groove()[:channels].T,
        rate_hz,
        format="MP3",
        subtype="MPEG_LAYER_III",
        bitrate_mode="CONSTANT",
        compression_level=(highest - kbit_s) / (highest - lowest),
    )
    file.seek(0)
    sound = soundfile.read(file, dtype="int16", always_2d=True)[0]
    return np.ascontiguousarray(sound.T / 32_768.0)


def watched(planes: Floats, rate_hz: int = 44_100) -> GranuleWatch:
    watch = GranuleWatch(rate_hz)
    watch.look(planes, 0)
    return watch


@pytest.mark.parametrize(("kbit_s", "rate_hz"), [(320, 44_100), (192, 44_100), (128, 44_100), (320, 48_000)])
def test_what_was_decoded_from_an_mp3_is_known_by_its_granules(kbit_s: int, rate_hz: int) -> None:
    assert watched(decoded(kbit_s, rate_hz), rate_hz).sure


def test_one_channel_is_enough() -> None:
    assert watched(decoded(192, channels=1)).sure


def test_granules_begin_where_the_encoder_began_them() -> None:
    """The emptiest of the 576 places moves along with the sound."""
    planes = decoded(192)
    first = int(np.argmax(emptiness(planes[:, 20_000:33_200])))
    for moved in (1, 100, GRANULE):
        assert (
            int(np.argmax(emptiness(planes[:, 20_000 + moved : 33_200 + moved]))) == (first - moved) % GRANULE
        )


def test_stretches_of_a_take_add_up_wherever_they_begin() -> None:
    planes = decoded(320)
    watch = GranuleWatch(44_100)
    for start in range(0, FRAMES - 20_000, 20_011):
        watch.look(planes[:, start : start + 20_000], start)
    assert watch.sure


def on_a_grid(frames: int) -> Floats:
    """Tones cut hard every so many frames, as a tracker plays them."""
    rng = np.random.default_rng(5)
    t = np.arange(frames) / 44_100
    notes = [
        rng.uniform(0.0, 0.3) * np.sin(2.0 * np.pi * rng.uniform(100.0, 4_000.0) * t)
        for _ in range(FRAMES // frames)
    ]
    sound = np.concatenate(notes)
    return np.stack([sound, 0.5 * sound])


def square(period: int) -> Floats:
    sound = 0.2 * np.sign(np.arange(FRAMES) % period - 0.5 * period)
    return np.stack([sound, 0.7 * sound])


@pytest.mark.parametrize(
    "made",
    [
        pytest.param(groove, id="groove"),
        pytest.param(lambda: np.round(groove() * 32_768.0) / 32_768.0, id="groove of 16 bits"),
        pytest.param(lambda: on_a_grid(GRANULE), id="cut every granule"),
        pytest.param(lambda: on_a_grid(2 * GRANULE), id="cut every other granule"),
        pytest.param(lambda: square(64), id="nine periods a granule"),
        pytest.param(lambda: square(GRANULE), id="a period a granule"),
        pytest.param(lambda: np.zeros((2, FRAMES)), id="silence"),
    ],
)
def test_no_other_sound_is_taken_for_one(made: Callable[[], Floats]) -> None:
    assert not watched(made()).sure


def test_a_higher_rate_is_not_looked_at() -> None:
    assert not watched(decoded(192), 96_000).sure


SOME = slice(0, None, 9)
"""Frames of a response that the plain twin is asked for."""


def plain_response(line: int) -> Floats:
    """The steps of the standard one by one: the 32 bands at every 32nd frame, a cosine transform of 36 values, alias reduction."""
    from sidekeep.dsp.impulses.granules import ALIAS, PROTOTYPE

    half = [float(x) for x in PROTOTYPE.split()]
    window = half + half[-2:0:-1]
    frames = 512 + 35 * 32
    lines = np.zeros((frames, 32, 18))
    for frame in range(frames)[SOME]:
        for band in (line // 18 - 1, line // 18, line // 18 + 1):
            values = np.zeros(36)
            for slot in range(36):
                tap = 511 + 32 * slot - frame
                if 0 <= tap < 512:
                    values[slot] = window[tap] * np.cos((2 * band + 1) * (tap - 16) * np.pi / 64)
                    if band % 2 and slot % 2:
                        values[slot] = -values[slot]
            place = np.arange(36)
            shaped = values * np.sin(np.pi / 36 * (place + 0.5))
            for k in range(18):
                lines[frame, band, k] = np.sum(shaped * np.cos(np.pi / 72 * (2 * place + 19) * (2 * k + 1)))
    for band in (line // 18 - 1, line // 18):
        for i, c in enumerate(ALIAS):
            cs, ca = 1.0 / np.sqrt(1.0 + c * c), c / np.sqrt(1.0 + c * c)
            upper, lower = lines[:, band, 17 - i].copy(), lines[:, band + 1, i].copy()
            lines[:, band, 17 - i] = upper * cs + lower * ca
            lines[:, band + 1, i] = lower * cs - upper * ca
    return np.asarray(lines[SOME, line // 18, line % 18])


@pytest.mark.parametrize("line", [433, 441, 448])
def test_a_line_is_that_of_the_standard(line: int) -> None:
    found, plain = response_of(line)[SOME], plain_response(line)
    np.testing.assert_allclose(found, plain * np.linalg.norm(found) / np.linalg.norm(plain), atol=1e-12)
    assert np.sum(np.square(response_of(line))) == pytest.approx(1.0)


def test_the_band_of_a_decoded_take_is_believed_from_its_first_stretch_on() -> None:
    planes = decoded(192)
    watch = BandWatch(44_100, 1)
    first = watch.look(planes, 0)
    watch.look(planes, 0)
    assert watch.was_decoded
    assert watch.lossy
    band = watch.believed(first)
    assert band is not None
    assert 15_000.0 < band.edge * 44_100 < 20_500.0


def test_a_full_band_costs_no_look() -> None:
    watch = BandWatch(44_100, 1)
    assert watch.look(groove(), 0) is None
    assert not watch.was_decoded
