"""The coarse spectrum kept beside a take (``bands.bin``): made when it is surveyed or first looked at, made again when missing.

A store that does not belong to the take's format and length, or is of another version, counts as missing. 25 minutes of
96 kHz are 26 MB, 3 % of the take.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from sidekeep.dsp.level.band_pyramid import BandBuilder, Bands, read_bands
from sidekeep.errors import AudioFileError, CopyError
from sidekeep.files.atomic import whole_file
from sidekeep.files.bounded import ARRAY_BYTES, read_bounded
from sidekeep.flow.ports import AudioSource
from sidekeep.flow.progress import Progress, no_progress

BANDS = "bands.bin"
_BLOCK_FRAMES = 262_144


def keep_bands(take_folder: Path, bands: Bands) -> None:
    """Write the store whole."""
    with whole_file(take_folder / BANDS, replace=True) as part, part.open("wb") as file:
        bands.write(file)


def kept_bands(take_folder: Path, source: AudioSource) -> Bands | None:
    """The store beside a take, or None when there is none that fits."""
    try:
        bands = read_bands(
            read_bounded(take_folder / BANDS, "the spectrum", most_bytes=ARRAY_BYTES, error=AudioFileError)
        )
    except (ValueError, AudioFileError):
        return None
    form = source.format
    return bands if (bands.rate_hz, bands.length_frames) == (form.rate_hz, form.length_frames) else None


def bands_of(take_folder: Path, source: AudioSource, progress: Progress = no_progress) -> Bands:
    """The bands of a take: the kept ones, or made by reading it once and kept if the disk lets us."""
    kept = kept_bands(take_folder, source)
    if kept is not None:
        return kept
    builder = BandBuilder(source.format.rate_hz)
    for block in source.blocks(_BLOCK_FRAMES):
        builder.process(block)
        progress(builder.length_frames / max(1, source.format.length_frames), "drawing the spectrum")
    made = builder.result()
    with contextlib.suppress(CopyError):  # a shelf that may only be read still shows its pictures
        keep_bands(take_folder, made)
    return made
