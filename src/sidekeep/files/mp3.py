"""MP3: 320 kbit/s constant rate, joint stereo, or variable rate at the best quality; gapless.

The first frame is an ``Info`` (constant) or ``Xing`` (variable) tag with the encoder's own extension: it
holds the encoder's delay and padding, so that ``frames * 1152 - delay - padding`` is the number of samples
that went in, and decoders give back exactly those.
"""

from __future__ import annotations

from dataclasses import dataclass

from sidekeep.files.codec import Codec, Encoder, Job
from sidekeep.files.sndfile_encoder import SndfileEncoder

RATES_HZ = (32_000, 44_100, 48_000)
"""MPEG-1 layer III; 320 kbit/s exists at these only (ISO/IEC 11172-3)."""
FRAME = 1152


def _starter(mode: str) -> Codec:
    def start(job: Job) -> Encoder:
        return SndfileEncoder(
            job,
            # The encoder works in single precision; one rounding here makes every way in the same.
            dtype="float32",
            format="MP3",
            subtype="MPEG_LAYER_III",
            bitrate_mode=mode,
            compression_level=0.0,
        )

    kind = "mp3-320" if mode == "CONSTANT" else "mp3-variable"
    return Codec(kind=kind, suffix=".mp3", lossless=False, start=start, rates_hz=RATES_HZ)


MP3_320 = _starter("CONSTANT")
MP3_VARIABLE = _starter("VARIABLE")


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
