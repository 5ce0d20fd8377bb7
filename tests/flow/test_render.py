"""Take, patches, fades and gain against one plain formula; the choice of the gain against numbers done by hand."""

from __future__ import annotations

import io
import math

import numpy as np
import pyebur128
import pytest

from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.measuring.measures import PeakLoudnessMeter
from sidekeep.flow.passes.edges import RenderSpan
from sidekeep.flow.passes.render import BLOCK_FRAMES, RecordLevel, choose_gain, record_level, render_span
from sidekeep.flow.patches import PatchPiece, PatchPieces, PatchReader, PatchWriter
from sidekeep.flow.ports import Audio
from sidekeep.model.cuts import Track
from sidekeep.model.recipe import LevelSettings
from sidekeep.units import MINIMUM_DB
from tests.flow.memory_take import MemoryTake

RATE_HZ = 48_000


def span(start: int, stop: int, fade_in: int = 0, fade_out: int = 0) -> RenderSpan:
    track = Track(number=1, title="", start_frame=start, stop_frame=stop)
    return RenderSpan(
        track=track, start_frame=start, stop_frame=stop, fade_in_frames=fade_in, fade_out_frames=fade_out
    )


def patched(take: Audio, mended: Audio) -> PatchReader:
    """Patches as a survey leaves them: in batches that are not the render's."""
    file = io.BytesIO()
    writer = PatchWriter(file)
    number = 0
    for at in range(0, len(take), 50_000):
        changed = take[at : at + 50_000] != mended[at : at + 50_000]
        for channel in range(take.shape[1]):
            edges = np.flatnonzero(np.diff(changed[:, channel], prepend=False, append=False)) + at
            for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
                piece = PatchPiece(start, channel, "replace", mended[start:stop, channel], number)
                writer.add(PatchPieces.of([piece]))
                number += 1
    writer.set_owners(range(number))
    writer.close()
    file.seek(0)
    return PatchReader(file)


@pytest.mark.parametrize(
    ("start", "stop", "fade_in", "fade_out"),
    [
        (0, 300_000, 0, 0),
        (12_345, 250_001, 2400, 48_000),
        # Fades longer than a block, and fades that meet in one block.
        (1000, 300_000, 2 * BLOCK_FRAMES + 77, BLOCK_FRAMES + 5),
        (70_000, 90_000, 10_000, 10_000),
        (70_000, 70_010, 10, 0),
    ],
)
def test_blocks_are_take_plus_patches_faded_and_raised(
    start: int, stop: int, fade_in: int, fade_out: int, rng: np.random.Generator
) -> None:
    take = rng.normal(0.0, 0.1, (300_000, 2))
    kept, mended = take.copy(), take.copy()
    for at in rng.integers(0, len(take) - 400, 60):
        # float32 holds what a patch holds
        mended[at : at + 300, at % 2] = rng.normal(0.0, 0.05, 300).astype(np.float32)
    mended[BLOCK_FRAMES + start - 5 : BLOCK_FRAMES + start + 5] = 0.25  # across a block of the render
    mended[99_990:100_020] = -0.25  # across a block of the survey
    blocks = list(
        render_span(
            MemoryTake(take, RATE_HZ), patched(take, mended), span(start, stop, fade_in, fade_out), -6.0
        )
    )
    frames = np.arange(stop - start)
    gain = np.full(stop - start, 10.0 ** (-6.0 / 20.0))
    # Raised cosine, a frame in the middle of its place (dsp.output.fades).
    if fade_in:
        gain *= 0.5 - 0.5 * np.cos(np.pi * np.clip((frames + 0.5) / fade_in, 0.0, 1.0))
    if fade_out:
        gain *= 0.5 - 0.5 * np.cos(np.pi * np.clip((stop - start - frames - 0.5) / fade_out, 0.0, 1.0))
    np.testing.assert_allclose(np.concatenate(blocks), mended[start:stop] * gain[:, None], atol=1e-15)
    np.testing.assert_array_equal(take, kept)  # the take itself is never touched


def test_without_patches_fades_and_gain_the_take_comes_out_bit_for_bit(rng: np.random.Generator) -> None:
    take = rng.normal(0.0, 0.1, (100_000, 1))
    out = np.concatenate(list(render_span(MemoryTake(take, RATE_HZ), None, span(5, 99_999), 0.0)))
    np.testing.assert_array_equal(out, take[5:99_999])


@pytest.mark.parametrize(
    ("target", "peak_dbtp", "lufs", "gain_db", "words"),
    [
        ("peak", -7.3, -20.0, 6.3, "-1 dBTP"),
        ("peak", 0.4, -9.0, -1.4, "-1 dBTP"),
        ("loudness", -7.3, -20.0, 2.0, "-18 LUFS"),
        # Two dB are missing to -18 LUFS, and nothing is compressed to get them.
        ("loudness", -3.0, -22.0, 2.0, "2.00 dB short"),
        ("none", -7.3, -20.0, 0.0, "as it was recorded"),
        ("peak", MINIMUM_DB, MINIMUM_DB, 0.0, "no sound"),
        ("loudness", MINIMUM_DB, -math.inf, 0.0, "no sound"),
    ],
)
def test_one_gain_to_the_target_and_never_past_the_peak(
    target: str, peak_dbtp: float, lufs: float, gain_db: float, words: str
) -> None:
    level = RecordLevel(true_peak_dbtp=peak_dbtp, integrated_lufs=lufs)
    choice = choose_gain(level, LevelSettings(target=target))  # type: ignore[arg-type]
    assert choice.gain_db == pytest.approx(gain_db, abs=1e-9)
    assert words in choice.text


def measured(audio: Audio) -> KeptLevels:
    meter = PeakLoudnessMeter(RATE_HZ, audio.shape[1])
    meter.process(audio)
    return KeptLevels.of(meter)


def dull_noise(rng: np.random.Generator, seconds: float, rms: float) -> Audio:
    """Nothing near half the rate, where the interpolators of two meters may differ."""
    noise = rng.normal(0.0, 1.0, (round(seconds * RATE_HZ), 2))
    shape = np.hanning(12)
    dull = np.stack([np.convolve(noise[:, channel], shape, "same") for channel in range(2)], axis=1)
    return np.asarray(dull * (rms / dull.std()))


def test_the_level_of_a_record_is_that_of_all_its_music(rng: np.random.Generator) -> None:
    """Highest peak of any side; loudness of both sides as one programme, against libebur128 over the two."""
    loud, soft = dull_noise(rng, 6.0, 0.1), dull_noise(rng, 8.0, 0.03)
    loud[: RATE_HZ - 5000] = 0.9  # a needle thump: outside the music, so it must not count
    level = record_level(
        [
            (measured(loud), [(RATE_HZ, len(loud))]),
            (measured(soft), [(0, 3 * RATE_HZ), (3 * RATE_HZ, len(soft))]),
            (measured(soft), []),
        ]
    )
    music = np.concatenate([loud[RATE_HZ:], soft])
    state = pyebur128.R128State(
        2, RATE_HZ, pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    )
    state.add_frames(music.ravel(), len(music))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(2))
    assert level.integrated_lufs == pytest.approx(pyebur128.get_loudness_global(state), abs=0.1)
    assert level.true_peak_dbtp == pytest.approx(20.0 * math.log10(peak), abs=0.05)
    assert level.true_peak_dbtp < -2.0


def test_a_record_without_music_has_no_level() -> None:
    level = record_level([(measured(np.zeros((RATE_HZ, 2))), [])])
    assert level.integrated_lufs == -math.inf
    assert choose_gain(level, LevelSettings()).gain_db == 0.0
