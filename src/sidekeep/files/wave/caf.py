"""Where the sound of a CAF file lies, and whether all of it is there.

A writer that never said how long the file is leaves the size -1, and its samples go on to the end; the libraries decode such
a file whole to learn its length. Layout: Apple, "Core Audio Format Specification 1.0" (the data chunk may have the size -1
where it is the last).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from typing import BinaryIO

from sidekeep.files.wave.chunks import ChunkLayout

_FLOAT, _LITTLE_ENDIAN = 1, 2
_EDIT_COUNT_BYTES = 4
_MOST_CHUNKS = 10_000


def without_end(file: BinaryIO) -> ChunkLayout | None:
    """Where the samples lie of a file whose end is unknown or is not there; None for any other file, and for samples that are
    not 16 to 64 bits of PCM."""
    description = b""
    size = file.seek(0, os.SEEK_END)
    for name, offset, length in _chunks(file):
        if name == b"desc":
            description = file.read(32)
        if name == b"data" and (length == -1 or length > size - offset):
            begin = offset + _EDIT_COUNT_BYTES
            claimed_bytes = (size if length == -1 else offset + length) - begin
            return _layout(description, begin, claimed_bytes, size - begin)
    return None


def _chunks(file: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    """Name, first byte and length of each chunk up to the sound, which is the last one given; the file stands at that byte."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    if file.read(4) != b"caff":
        return
    offset = 8
    for _ in range(_MOST_CHUNKS):
        file.seek(offset)
        head = file.read(12)
        if len(head) < 12:
            return
        name, length = head[:4], struct.unpack(">q", head[4:])[0]
        offset += 12
        yield name, offset, length
        if name == b"data" or not 0 <= length <= size - offset:
            return
        offset += length


def _layout(description: bytes, offset: int, claimed_bytes: int, audio_bytes: int) -> ChunkLayout | None:
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
        claimed_bytes=claimed_bytes,
        audio_bytes=audio_bytes,
        verdict="cut short" if claimed_bytes > audio_bytes else "sound",
        is_little_endian=bool(flags & _LITTLE_ENDIAN),
    )
