"""Pictures of the mended sound, made anew only where a repair is, equal those made of the whole mended sound."""

from __future__ import annotations

import io

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.level.band_pyramid import BandBuilder, Bands
from sidekeep.dsp.level.peak_pyramid import PeakBuilder, Peaks
from sidekeep.flow.patches import PatchPiece, PatchPieces, PatchReader, PatchWriter
from sidekeep.service.house.takes.mended_pictures import MendedBands, MendedPeaks

RATE_HZ = 44_100
SOUND = 0.2 * np.random.default_rng(2).standard_normal((200_000, 2))


class Source:
    """A take in memory."""

    def read(self, start_frame: int, stop_frame: int) -> NDArray[np.float64]:
        return SOUND[start_frame:stop_frame].copy()


def patches() -> PatchReader:
    """Four repairs: at both ends, a long thump, two that meet."""
    file = io.BytesIO()
    writer = PatchWriter(file)
    rng = np.random.default_rng(4)
    spots = [(0, 40, 0, "replace"), (70_000, 9_000, 1, "subtract"), (78_990, 30, 0, "replace")]
    spots += [(79_020, 20, 0, "replace"), (199_950, 50, 1, "replace")]
    for number, (start, length, channel, layer) in enumerate(spots):
        values = 0.5 * rng.standard_normal(length)
        piece = PatchPiece(start, channel, layer, values, number)  # type: ignore[arg-type]
        writer.add(PatchPieces.of([piece]))
    writer.set_owners([0, 1, 2, 2, 3])
    writer.close({})
    file.seek(0)
    return PatchReader(file)


def peaks(audio: NDArray[np.float64]) -> Peaks:
    builder = PeakBuilder(RATE_HZ, 2)
    builder.process(audio)
    return builder.result()


def bands(audio: NDArray[np.float64]) -> Bands:
    builder = BandBuilder(RATE_HZ)
    builder.process(audio)
    return builder.result()


@pytest.mark.parametrize("is_taken_out", [False, True])
def test_they_equal_those_of_the_whole_sound_for_every_choice_in_turn(is_taken_out: bool) -> None:
    reader, drawn_peaks, drawn_bands = (
        patches(),
        MendedPeaks(is_taken_out=is_taken_out),
        MendedBands(is_taken_out=is_taken_out),
    )
    played_peaks, played_bands = peaks(SOUND), bands(SOUND)
    for left in ({}, {1}, {1, 3}, {0, 1, 2, 3}, {2}, {}):
        left_now = frozenset(left)
        now = reader.with_left(left_now)
        mended = now.apply(0, SOUND)
        wanted = SOUND - mended if is_taken_out else mended
        found_peaks = drawn_peaks.get(played_peaks, left_now, "key", now, Source())  # type: ignore[arg-type]
        found_bands = drawn_bands.get(played_bands, left_now, "key", now, Source())  # type: ignore[arg-type]
        np.testing.assert_array_equal(found_peaks.levels[0], peaks(wanted).levels[0])
        np.testing.assert_array_equal(found_bands.levels[0], bands(wanted).levels[0])
        np.testing.assert_array_equal(found_bands.levels[-1], bands(wanted).levels[-1])
    np.testing.assert_array_equal(played_bands.levels[0], bands(SOUND).levels[0])


def test_another_survey_is_drawn_from_the_start() -> None:
    drawn = MendedPeaks()
    reader = patches()
    first = drawn.get(peaks(SOUND), frozenset(), "one", reader, Source())  # type: ignore[arg-type]
    assert drawn.get(peaks(SOUND), frozenset(), "one", reader, Source()) is first  # type: ignore[arg-type]
    file = io.BytesIO()
    writer = PatchWriter(file)
    writer.close({})
    file.seek(0)
    nothing = drawn.get(peaks(SOUND), frozenset(), "two", PatchReader(file), Source())  # type: ignore[arg-type]
    np.testing.assert_array_equal(nothing.levels[0], peaks(SOUND).levels[0])
