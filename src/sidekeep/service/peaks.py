"""The peaks kept beside a take (``peaks.bin``): written while its sound flows, made again when missing.

A store that does not belong to the take's format and length, or is of another version, counts as missing. It is read
into memory (18 MB for 25 minutes of 96 kHz): a memory map of a file that somebody cuts short ends the whole process.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from sidekeep.dsp.level.peak_pyramid import PeakBuilder, Peaks, read_peaks
from sidekeep.errors import AudioFileError, CopyError
from sidekeep.files.atomic import whole_file
from sidekeep.files.bounded import ARRAY_BYTES, read_bounded
from sidekeep.flow.ports import AudioSource
from sidekeep.flow.progress import Progress, no_progress

PEAKS = "peaks.bin"
_BLOCK_FRAMES = 262_144


def keep_peaks(take_folder: Path, peaks: Peaks) -> None:
    """Write the store whole."""
    with whole_file(take_folder / PEAKS, replace=True) as part, part.open("wb") as file:
        peaks.write(file)


def kept_peaks(take_folder: Path, source: AudioSource) -> Peaks | None:
    """The store beside a take, or None when there is none that fits."""
    try:
        peaks = read_peaks(
            read_bounded(take_folder / PEAKS, "the picture", most_bytes=ARRAY_BYTES, error=AudioFileError)
        )
    except (ValueError, AudioFileError):
        return None
    form = source.format
    fits = (peaks.rate_hz, peaks.channels, peaks.length_frames)
    return peaks if fits == (form.rate_hz, form.channels, form.length_frames) else None


def peaks_of(take_folder: Path, source: AudioSource, progress: Progress = no_progress) -> Peaks:
    """The peaks of a take: the kept ones, or made by reading it once and kept if the disk lets us."""
    kept = kept_peaks(take_folder, source)
    if kept is not None:
        return kept
    builder = PeakBuilder(source.format.rate_hz, source.format.channels)
    for block in source.blocks(_BLOCK_FRAMES):
        builder.process(block)
        progress(builder.length_frames / max(1, source.format.length_frames), "drawing the picture")
    made = builder.result()
    with contextlib.suppress(CopyError):  # a shelf that may only be read still shows its pictures
        keep_peaks(take_folder, made)
    return made
