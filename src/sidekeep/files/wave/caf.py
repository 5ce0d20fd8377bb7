"""A CAF file whose writer never said how long it is: its samples go on to the end of the file.

The libraries decode such a file whole to learn its length. Layout: Apple, "Core Audio Format Specification 1.0" (the data
chunk may have the size -1 where it is the last).
"""

from __future__ import annotations

import os
import struct
from typing import BinaryIO

from sidekeep.files.wave.chunks import ChunkLayout

_FLOAT, _LITTLE_ENDIAN = 1, 2
_EDIT_COUNT_BYTES = 4
_MOST_CHUNKS = 10_000


def open_ended(file: BinaryIO) -> ChunkLayout | None:
    """Where the samples of such a file lie; None for any other file, and for samples that are not 16 to 64 bits of PCM."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    if file.read(4) != b"caff":
        return None
    offset, description = 8, b""
    for _ in range(_MOST_CHUNKS):
        file.seek(offset)
        head = file.read(12)
        if len(head) < 12:
            return None
        name, length = head[:4], struct.unpack(">q", head[4:])[0]
        offset += 12
        if name == b"desc":
            description = file.read(32)
        if name == b"data":
            begin = offset + _EDIT_COUNT_BYTES
            return _layout(description, begin, size - begin) if length == -1 else None
        if length < 0:
            return None
        offset += length
    return None


def _layout(description: bytes, offset: int, audio_bytes: int) -> ChunkLayout | None:
    if len(description) < 32 or audio_bytes < 0:
        return None
    rate_hz, kind, flags, packet_bytes, packet_frames, channels, bits = struct.unpack(
        ">d4sIIIII", description
    )
    is_float = bool(flags & _FLOAT)
    if (
        kind != b"lpcm"
        or packet_frames != 1
        or not channels
        or bits not in ((32, 64) if is_float else (16, 24, 32))
    ):
        return None
    if packet_bytes != channels * bits // 8 or not 0 < rate_hz < 1e9 or rate_hz != int(rate_hz):
        return None
    return ChunkLayout(
        form="caff",
        rate_hz=int(rate_hz),
        channels=channels,
        bits=bits,
        is_float=is_float,
        frame_bytes=packet_bytes,
        data_offset=offset,
        claimed_bytes=audio_bytes,
        audio_bytes=audio_bytes,
        verdict="sound",
        is_little_endian=bool(flags & _LITTLE_ENDIAN),
    )
