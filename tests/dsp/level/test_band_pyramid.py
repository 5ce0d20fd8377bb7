"""The kept spectrum against numpy's own transform, for any blocks, and against sounds whose level is known."""

from __future__ import annotations

import io

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.level.band_pyramid import (
    FLOOR_DB,
    BandBuilder,
    Bands,
    band_bins,
    coarser_columns,
    hop_frames,
    read_bands,
)
from sidekeep.errors import AudioFileError

RATE_HZ = 44_100
HOP = hop_frames(RATE_HZ)


def noise(frames: int, seed: int = 3) -> NDArray[np.float64]:
    return 0.2 * np.random.default_rng(seed).standard_normal((frames, 2))


def bands_of(audio: NDArray[np.float64], *cuts: int, rate_hz: int = RATE_HZ) -> Bands:
    builder = BandBuilder(rate_hz)
    for block in np.split(audio, cuts):
        builder.process(block)
    return builder.result()


def plain(audio: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Column by column, in double precision, with numpy's transform."""
    mono = np.concatenate((np.zeros(HOP // 2), audio.mean(axis=1), np.zeros(3 * HOP)))
    edges = band_bins(RATE_HZ)
    window = np.hanning(2 * HOP + 1)[:-1]
    columns = []
    for at in range(-(-len(audio) // HOP)):
        spectrum = np.abs(np.fft.rfft(mono[at * HOP : (at + 2) * HOP] * window)) * (2.0 / window.sum())
        loudest = np.array([spectrum[a:b].max() for a, b in zip(edges[:-1], edges[1:], strict=True)])
        columns.append(255.0 * (1.0 - 20.0 * np.log10(np.maximum(loudest, 1e-12)) / FLOOR_DB))
    return np.clip(np.round(columns), 0, 255).astype(np.uint8)


def test_every_column_is_that_of_the_plain_transform() -> None:
    audio = noise(20 * HOP + 77)
    found = bands_of(audio).levels[0].astype(int)
    assert found.shape == plain(audio).shape
    assert np.abs(found - plain(audio)).max() <= 1  # single precision may round a byte the other way


@pytest.mark.parametrize("cuts", [(1,), (HOP // 2,), (5 * HOP,), (100, 101, 3000, 3001, 9999)])
def test_blocks_equal_the_whole(cuts: tuple[int, ...]) -> None:
    audio = noise(12 * HOP + 5)
    np.testing.assert_array_equal(bands_of(audio, *cuts).levels[0], bands_of(audio).levels[0])


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 96_000, 192_000])
def test_a_full_scale_sine_reads_full_scale_in_its_band(rate_hz: int) -> None:
    hop = hop_frames(rate_hz)
    hz = 200 * rate_hz / (2 * hop)  # in the middle of a bin
    tone = np.sin(2 * np.pi * hz * np.arange(8 * hop) / rate_hz)
    bands = bands_of(np.stack((tone, tone), axis=1), rate_hz=rate_hz)
    row = int(np.searchsorted(bands.edges_hz, hz, "right") - 1)
    assert (bands.levels[0][2:-2, row] == 255).all()


@pytest.mark.parametrize("at", [0, 1, HOP // 2, HOP, 3 * HOP + HOP // 2, 7 * HOP - 1])
def test_no_frame_is_passed_over(at: int) -> None:
    """A click of one frame, wherever it is, is seen within 6 dB of where it is seen best."""
    best = np.zeros((8 * HOP, 1))
    best[4 * HOP + HOP // 2] = 1.0
    click = np.zeros((8 * HOP, 1))
    click[at] = 1.0
    top = bands_of(best).levels[0].max()
    assert bands_of(click).levels[0].max() >= top - round(6.1 / -FLOOR_DB * 255)


def test_coarser_levels_are_the_loudest_of_the_finer_ones() -> None:
    rng = np.random.default_rng(1)
    bands = len(band_bins(RATE_HZ)) - 1
    finest = rng.integers(0, 200, (9001, bands)).astype(np.uint8)
    whole = Bands.of_finest(finest, RATE_HZ, 9001 * HOP)
    assert [len(level) for level in whole.levels] == [9001, 2251, 563]
    np.testing.assert_array_equal(whole.levels[1][7], finest[28:32].max(axis=0))
    np.testing.assert_array_equal(coarser_columns(finest)[-1], finest[-1])
    shown = whole.columns(0, whole.length_frames, 100)
    assert (shown.max(axis=0) == finest.max(axis=0)).all()
    fine = whole.columns(10 * HOP, 20 * HOP, 40)
    np.testing.assert_array_equal(fine[::4], finest[10:20])


def test_a_store_comes_back_and_a_torn_one_is_none() -> None:
    kept = bands_of(noise(10 * HOP + 1))
    file = io.BytesIO()
    kept.write(file)
    again = read_bands(file.getvalue())
    assert (again.rate_hz, again.length_frames) == (kept.rate_hz, kept.length_frames)
    np.testing.assert_array_equal(again.levels[0], kept.levels[0])
    for content in (b"", file.getvalue()[:30], file.getvalue()[:-1], b"X" + file.getvalue()[1:]):
        with pytest.raises(AudioFileError):
            read_bands(content)


def test_what_is_no_number_and_what_is_no_sound_draw_nothing() -> None:
    odd = noise(4 * HOP)
    odd[100:200] = np.nan
    odd[300] = np.inf
    assert bands_of(odd).levels[0].any()
    assert bands_of(np.zeros((0, 2))).levels[0].shape[0] == 0
    assert not bands_of(np.zeros((3 * HOP, 2))).levels[0].any()
