"""The picture and the coarse spectrum kept beside a take (``peaks.bin``, ``bands.bin``): made while its sound flows or when
first looked at, and made again when missing.

A file that does not belong to the take's format and length, or is of another version, counts as missing. It is read into
memory (of 25 minutes at 96 kHz the picture is 18 MB, the spectrum 26 MB): a memory map of a file that somebody cuts short
ends the whole process.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, Generic, Protocol, TypeVar

from sidekeep.dsp.level.band_pyramid import BandBuilder, Bands, read_bands
from sidekeep.dsp.level.peak_pyramid import PeakBuilder, Peaks, read_peaks
from sidekeep.errors import AudioFileError, CopyError
from sidekeep.files.atomic import whole_file
from sidekeep.files.bounded import ARRAY_BYTES, read_bounded
from sidekeep.flow.ports import Audio, AudioSource
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.model.audio import AudioFormat

_BLOCK_FRAMES = 262_144


class _Pyramid(Protocol):
    def write(self, file: BinaryIO) -> None: ...


P = TypeVar("P", bound=_Pyramid)
Made = TypeVar("Made", bound=_Pyramid, covariant=True)


class _Builder(Protocol[Made]):
    def process(self, block: Audio) -> Any: ...
    def result(self) -> Made: ...


class Kept(Generic[P]):
    """One kind of pyramid, kept in ``file_name`` beside a take."""

    def __init__(
        self,
        file_name: str,
        doing: str,
        *,
        builder: Callable[[AudioFormat], _Builder[P]],
        read: Callable[[bytes], P],
        fits: Callable[[P, AudioFormat], bool],
    ) -> None:
        self.file_name = file_name
        self._doing = doing
        self._builder = builder
        self._read = read
        self._fits = fits

    def keep(self, take_folder: Path, pyramid: P) -> None:
        """Write it whole."""
        with whole_file(take_folder / self.file_name, replace=True) as part, part.open("wb") as file:
            pyramid.write(file)

    def kept(self, take_folder: Path, source: AudioSource) -> P | None:
        """What lies beside a take, or None when there is nothing that fits."""
        try:
            pyramid = self._read(
                read_bounded(
                    take_folder / self.file_name, "picture", most_bytes=ARRAY_BYTES, error=AudioFileError
                )
            )
        except (ValueError, AudioFileError):
            return None
        return pyramid if self._fits(pyramid, source.format) else None

    def of(self, take_folder: Path, source: AudioSource, progress: Progress = no_progress) -> P:
        """That of a take: the kept one, or made by reading the take once, and kept if the disk lets us."""
        kept = self.kept(take_folder, source)
        if kept is not None:
            return kept
        builder = self._builder(source.format)
        done_frames = 0
        for block in source.blocks(_BLOCK_FRAMES):
            builder.process(block)
            done_frames += len(block)
            progress(done_frames / max(1, source.format.length_frames), self._doing)
        made = builder.result()
        with contextlib.suppress(CopyError):  # a shelf that may only be read still shows its pictures
            self.keep(take_folder, made)
        return made


PEAKS: Kept[Peaks] = Kept(
    "peaks.bin",
    "drawing the picture",
    builder=lambda form: PeakBuilder(form.rate_hz, form.channels),
    read=read_peaks,
    fits=lambda peaks, form: (
        (peaks.rate_hz, peaks.channels, peaks.length_frames)
        == (form.rate_hz, form.channels, form.length_frames)
    ),
)
BANDS: Kept[Bands] = Kept(
    "bands.bin",
    "drawing the spectrum",
    builder=lambda form: BandBuilder(form.rate_hz),
    read=read_bands,
    fits=lambda bands, form: (bands.rate_hz, bands.length_frames) == (form.rate_hz, form.length_frames),
)
