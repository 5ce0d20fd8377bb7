"""FLAC (RFC 9639), level 8, 16 or 24 bits, with the MD5 of the samples in its STREAMINFO."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from sidekeep.files.codecs.codec import AvFileEncoder, Codec, Encoder, FileForm, whole_numbers

LEVEL = 8
"""The highest of the format's usual encoders: smaller files for a little more time, the same sound."""
SEEK_EVERY_S = 10.0
"""Between points to jump to, as the format's own tools set them (from memory)."""


def _start(job: FileForm) -> Encoder:
    return AvFileEncoder(
        job,
        whole_numbers(job.bits),
        container="flac",
        codec="flac",
        sample_format="s16" if job.bits == 16 else "s32",
        options={"compression_level": str(LEVEL)},
    )


FLAC = Codec(kind="flac", suffix=".flac", lossless=True, start=_start, bits=(16, 24), highest_rate_hz=655_350)


def flac_audio_start(file: BinaryIO) -> int:
    """Where the first frame of an open FLAC file begins, behind its metadata blocks (RFC 9639, section 8.1); 0
    when it is none, or its frames do not begin there."""
    if file.read(4) != b"fLaC":
        return 0
    while len(head := file.read(4)) == 4:
        start = file.seek(int.from_bytes(head[1:], "big"), os.SEEK_CUR)
        if head[0] & 0x80:
            # Frames begin with the 15 bits 111111111111100 (section 9.1).
            sync = file.read(2)
            return start if len(sync) == 2 and sync[0] == 0xFF and sync[1] & 0xFE == 0xF8 else 0
    return 0


@dataclass(frozen=True, kw_only=True)
class SeekPoint:
    """A frame to jump to (RFC 9639, section 8.5): its first sample, its bytes from the first frame, its samples."""

    sample: int
    offset_bytes: int
    frames: int


def seek_points(path: Path, every_s: float = SEEK_EVERY_S) -> list[SeekPoint]:
    """The frames that hold each multiple of ``every_s``, from the packets of a finished file."""
    import av

    points: list[SeekPoint] = []
    offset = sample = 0
    with av.open(str(path)) as container:
        stream = container.streams.audio[0]
        assert stream.time_base is not None
        rate_hz = stream.codec_context.sample_rate
        scale = stream.time_base * rate_hz
        every = max(1, round(every_s * rate_hz))
        for packet in container.demux(stream):
            if not packet.size:
                continue
            frames = round((packet.duration or 0) * scale)
            if sample % every == 0 or sample // every < (sample + frames - 1) // every:
                points.append(SeekPoint(sample=sample, offset_bytes=offset, frames=frames))
            offset += packet.size
            sample += frames
    return points
