"""MP3: 320 kbit/s constant rate, joint stereo, or variable rate at the best quality; gapless.

The first frame is an ``Info`` (constant) or ``Xing`` (variable) tag with the encoder's own extension: it
holds the encoder's delay and padding, so that ``frames * 1152 - delay - padding`` is the number of samples
that went in, and decoders give back exactly those.

An encoder that begins in loud music begins badly: without what came before, the error of a join was 7 dB over that of the
rest at 320 kbit/s, 10 dB at variable rate (measured). So the end of the track before and the beginning of the one after
are encoded with it, and counted as delay and padding. One frame before is enough at a constant rate, two at a variable one.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import CopyError
from sidekeep.files.codecs.codec import Codec, Encoder, FileForm
from sidekeep.files.codecs.sndfile_encoder import SndfileEncoder

RATES_HZ = (32_000, 44_100, 48_000)
"""MPEG-1 layer III; 320 kbit/s exists at these only (ISO/IEC 11172-3)."""
FRAME = 1152
VARIABLE_LEVELS = {245_000: 0.0, 190_000: 0.2, 165_000: 0.4}
"""Levels by the bit rate that music comes to."""
_EXTENSION = 120
"""Where the encoder's extension begins, from the tag's name."""
_MOST = 0xFFF
"""Delay and padding have 12 bits each."""


def _starter(mode: str) -> Codec:
    def start(job: FileForm) -> Encoder:
        return _Surrounded(
            job,
            # The encoder works in single precision; one rounding here makes every way in the same.
            dtype="float32",
            format="MP3",
            subtype="MPEG_LAYER_III",
            bitrate_mode=mode,
            compression_level=_level(mode, job.bit_rate),
        )

    kind, before = ("mp3-320", FRAME) if mode == "CONSTANT" else ("mp3-variable", 2 * FRAME)
    return Codec(
        kind=kind,
        suffix=".mp3",
        lossless=False,
        start=start,
        rates_hz=RATES_HZ,
        before_frames=before,
        after_frames=FRAME,
    )


def _level(mode: str, bit_rate: int | None) -> float:
    """What the library calls compression: 0 is its best, 1 its smallest. At a constant rate it goes down evenly from 320 to
    32 kbit/s; at a variable one it has ten steps, of which the first, third and fifth are offered."""
    if bit_rate is None:
        return 0.0
    if mode == "CONSTANT":
        return (320_000 - bit_rate) / (320_000 - 32_000)
    return VARIABLE_LEVELS[bit_rate]


class _Surrounded(SndfileEncoder):
    """Encodes what comes before and after with the sound and counts it as delay and padding."""

    def __init__(self, job: FileForm, **form: Any) -> None:
        super().__init__(job, **form)
        self._job = job
        self._before = 0 if job.before is None else len(job.before)
        self._frames = -self._before
        if job.before is not None and self._before:
            self.encode(job.before)

    def encode(self, samples: NDArray[Any]) -> None:
        super().encode(samples)
        self._frames += len(samples)

    def finish(self) -> None:
        length_frames = self._frames
        has_after = self._job.after is not None and len(self._job.after) > 0
        if has_after:
            self.encode(np.asarray(self._job.after))
        super().finish()
        if self._before or has_after:
            surround(self._job.path, self._before, length_frames)


@dataclass(frozen=True, kw_only=True)
class Mp3Info:
    """The gapless facts of a file's tag frame. ``frames`` leaves the tag frame out."""

    frames: int
    delay: int
    padding: int

    @property
    def length_frames(self) -> int:
        """Samples per channel that went into the encoder."""
        return self.frames * FRAME - self.delay - self.padding


def id3_bytes(head: bytes) -> int:
    """Length of the ID3v2 tag in front of the sound, from the file's first 10 bytes; 0 without one.

    Its size has 7 bits to a byte (ID3v2.4.0 structure, section 6.2).
    """
    if head[:3] != b"ID3" or len(head) < 10:
        return 0
    return 10 + (head[6] << 21 | head[7] << 14 | head[8] << 7 | head[9])


def read_info(head: bytes) -> Mp3Info | None:
    """The facts from the first kilobyte of the first frame (an ID3v2 tag in front is skipped, if whole).

    Offsets: the tag stands 36 bytes into an MPEG-1 stereo frame (21 mono), flags and then the optional
    fields after it; the encoder's extension begins 120 bytes after the tag, with delay and padding as two
    12-bit numbers 21 bytes into it. None without such a tag.
    """
    start = id3_bytes(head)
    for offset in (36, 21):
        at = start + offset
        if head[at : at + 4] in (b"Info", b"Xing") and len(head) >= at + 120 + 24:
            if not head[at + 7] & 1:
                return None
            frames = int.from_bytes(head[at + 8 : at + 12], "big")
            gap = int.from_bytes(head[at + 120 + 21 : at + 120 + 24], "big")
            return Mp3Info(frames=frames, delay=gap >> 12, padding=gap & 0xFFF)
    return None


def surround(path: Path, before_frames: int, length_frames: int) -> None:
    """Let a file without an ID3 tag say that its sound begins ``before_frames`` later and has ``length_frames``.

    The tag's own checksum (CRC-16, polynomial 0x8005 reflected, over all of the frame before it) is made anew. ``OSError``
    comes out as it is.
    """
    with open(path, "r+b") as file:
        head = bytearray(file.read(1024))
        info = read_info(bytes(head))
        place = next((each for each in (36, 21) if head[each : each + 4] in (b"Info", b"Xing")), 0)
        if info is None or not place:
            raise CopyError("mp3-no-gapless", name=path.name)
        delay = info.delay + before_frames
        padding = info.frames * FRAME - delay - length_frames
        if not (0 <= delay <= _MOST and 0 <= padding <= _MOST):
            raise CopyError("mp3-length", name=path.name)
        at = place + _EXTENSION + 21
        head[at : at + 3] = (delay << 12 | padding).to_bytes(3, "big")
        end = place + _EXTENSION + 34
        head[end : end + 2] = tag_checksum(bytes(head[:end])).to_bytes(2, "big")
        file.seek(0, os.SEEK_SET)
        file.write(head)


def tag_checksum(data: bytes) -> int:
    """CRC-16 as the encoder's extension carries it: polynomial 0x8005, reflected, starting at 0."""
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value


MP3_320 = _starter("CONSTANT")
MP3_VARIABLE = _starter("VARIABLE")
