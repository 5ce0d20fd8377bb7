"""Peak levels: coarser ones are those of the samples, views, and the bytes of a store."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sidekeep.dsp.level.peak_pyramid import PeakBuilder, Peaks, base_level, read_peaks
from sidekeep.errors import AudioFileError, ParameterError


def plain_level(audio: NDArray[np.float64], frames: int) -> NDArray[np.float32]:
    """The twin: bucket by bucket from the samples."""
    rows = [
        np.stack((piece.min(axis=0), piece.max(axis=0), (piece**2).sum(axis=0)), axis=-1)
        for piece in (audio[start : start + frames] for start in range(0, len(audio), frames))
    ]
    return np.array(rows, np.float32).reshape(-1, audio.shape[1], 3)


def built(audio: NDArray[np.float64], **settings: int) -> Peaks:
    builder = PeakBuilder(48000, audio.shape[1], **settings)
    builder.process(audio)
    return builder.result()


@pytest.mark.parametrize("length", [0, 1, 255, 256, 257, 100_003, 600_000])
def test_every_level_is_that_of_the_samples(length: int, rng: np.random.Generator) -> None:
    audio = rng.normal(0.0, 0.2, (length, 2))
    peaks = built(audio)
    for index, level in enumerate(peaks.levels):
        plain = plain_level(audio, peaks.bucket_frames(index))
        np.testing.assert_array_equal(level[..., :2], plain[..., :2])
        np.testing.assert_allclose(level[..., 2], plain[..., 2], rtol=1e-5)
    assert len(peaks.levels[-1]) <= 512


def test_asking_while_it_grows(rng: np.random.Generator) -> None:
    audio = rng.normal(0.0, 0.2, (3000, 1))
    builder = PeakBuilder(8000, 1)
    for start in range(0, 3000, 700):
        builder.process(audio[start : start + 700])
        so_far = audio[: start + 700]
        np.testing.assert_array_equal(builder.result().levels[0], base_level(so_far))


@settings(max_examples=40, deadline=None)
@given(start=st.integers(-10, 70_000), length=st.integers(0, 70_000), width=st.integers(1, 2000))
def test_views_cover_what_was_asked(start: int, length: int, width: int) -> None:
    audio = np.sin(np.arange(60_000) * 0.001)[:, None]
    peaks = built(audio, base_frames=16)
    view = peaks.view(start, start + length, width)
    low, high = min(max(start, 0), 60_000), min(max(start + length, 0), 60_000)
    assert view.start_frame <= low or len(view.values) == 0
    assert view.start_frame + len(view.values) * view.bucket_frames >= high or high <= low
    if high - low >= 16 * width:
        assert len(view.values) >= width
        is_coarsest = view.bucket_frames == peaks.bucket_frames(len(peaks.levels) - 1)
        assert len(view.values) <= 4 * width + 2 or is_coarsest
    np.testing.assert_allclose(
        view.values[:1],
        plain_level(audio[view.start_frame :][: view.bucket_frames], view.bucket_frames)[: len(view.values)],
        rtol=1e-6,
    )


@pytest.mark.parametrize("length", [0, 5, 200_001])
def test_written_and_read(length: int, rng: np.random.Generator) -> None:
    peaks = built(rng.normal(0.0, 0.2, (length, 2)))
    file = io.BytesIO()
    peaks.write(file)
    data = file.getvalue()
    again = read_peaks(data)
    assert (again.rate_hz, again.channels, again.length_frames) == (48000, 2, length)
    assert len(again.levels) == len(peaks.levels)
    for one, other in zip(again.levels, peaks.levels):
        np.testing.assert_array_equal(one, other)
    # 8 + 6 * 4 + 8 bytes of header, then 12 bytes per bucket and channel.
    assert len(data) == 40 + 12 * 2 * sum(len(level) for level in peaks.levels)


def test_broken_stores_are_refused() -> None:
    file = io.BytesIO()
    built(np.zeros((5000, 1))).write(file)
    data = file.getvalue()
    with pytest.raises(AudioFileError, match="cut short"):
        read_peaks(data[:-1])
    with pytest.raises(AudioFileError, match="too short"):
        read_peaks(b"")
    with pytest.raises(AudioFileError, match="not a peak store"):
        read_peaks(b"X" + data[1:])


def test_refusals() -> None:
    with pytest.raises(ParameterError, match="width=0"):
        built(np.zeros((10, 1))).view(0, 10, 0)
    with pytest.raises(ParameterError, match="base_frames=0"):
        PeakBuilder(48000, 2, base_frames=0)
