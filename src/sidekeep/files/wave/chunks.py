"""What a RIFF, RF64 or BW64 file really holds, whatever its header claims.

A writer that is killed leaves sizes behind that are zero, a maximum, or those of some seconds ago; a copy
that breaks off leaves a header that promises too much. ``survey_chunks`` walks the chunks and says where
the samples begin and how many bytes of them are there.

Layout: Microsoft/IBM RIFF 1.0 (1991); RF64 and its ``ds64`` chunk: EBU Tech 3306, ITU-R BS.2088.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass, field
from typing import BinaryIO, Literal

Verdict = Literal["sound", "cut short", "unfinished"]

UNKNOWN_32 = 0xFFFFFFFF
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_STREAMED_SIZES = (range(0x7FFFEF00, 0x80000001), range(0xFFFFEF00, UNKNOWN_32 + 1))
"""Sizes that programs write when they cannot know the length yet: the largest there are, or what a header leaves of them
(common practice, no source)."""
_MOST_CHUNKS = 10_000
_KNOWN = frozenset(
    name.encode()
    for names in (
        "fmt data ds64 fact bext LIST list JUNK junk PAD FLLR cue plst smpl",
        "inst iXML axml chna ID3 id3 PEAK levl cart umid",
    )
    for name in (each.ljust(4) for each in names.split())
)
"""Names of chunks in use: the standards named above, and common practice (no source)."""


@dataclass(frozen=True, kw_only=True)
class ChunkLayout:
    """Facts of one file; sizes in bytes. ``chunks`` maps each id to (offset of its body, size)."""

    form: str
    rate_hz: int
    channels: int
    bits: int
    is_float: bool
    frame_bytes: int
    data_offset: int
    claimed_bytes: int
    audio_bytes: int
    verdict: Verdict
    is_little_endian: bool = True
    chunks: dict[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def length_frames(self) -> int:
        """Whole frames that can be read."""
        return self.audio_bytes // self.frame_bytes

    @property
    def claimed_frames(self) -> int:
        """Whole frames the header promises."""
        return self.claimed_bytes // self.frame_bytes

    @property
    def torn_bytes(self) -> int:
        """Bytes of a last frame that was written in part only."""
        return self.audio_bytes % self.frame_bytes


def survey_chunks(file: BinaryIO) -> ChunkLayout | None:
    """Walk an open file; None when it is not RIFF-like, not linear PCM or float, or has no data chunk."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:12] != b"WAVE":
        return None
    form = head[:4].decode().lower()
    sizes_64: dict[str, int] = {}
    chunks: dict[str, tuple[int, int]] = {}
    fmt: tuple[int, int, int, int, int] | None = None
    offset = 12
    for _ in range(_MOST_CHUNKS):
        file.seek(offset)
        raw = file.read(8)
        if len(raw) < 8:
            return None
        name, length = raw[:4].decode("latin-1"), struct.unpack("<I", raw[4:])[0]
        body = offset + 8
        if name == "ds64" and length >= 24:
            block = file.read(24)
            if len(block) < 24:
                return None
            sizes_64["data"] = struct.unpack("<QQQ", block)[1]
        elif name == "fmt ":
            fmt = _read_format(file.read(min(length, 40)))
        if name == "data":
            if fmt is None:
                return None
            if length == UNKNOWN_32 and form != "riff":
                length = sizes_64.get("data", 0)
            chunks[name] = (body, length)
            return _judge(file, size, form, fmt, body, length, chunks)
        chunks.setdefault(name, (body, length))
        offset = _after_chunk(file, body, length)
    return None


def _after_chunk(file: BinaryIO, body: int, length: int) -> int:
    """Where the chunk after this one begins. A body of odd length is followed by one byte of padding; programs forget it, and
    then the name of the next chunk stands where the padding should be."""
    end = body + length
    if length % 2 == 0:
        return end
    file.seek(end)
    names = file.read(5)
    return end if names[:4] in _KNOWN and names[1:] not in _KNOWN else end + 1


def _read_format(block: bytes) -> tuple[int, int, int, int, int] | None:
    """(tag, channels, rate_hz, frame_bytes, bits) of a ``fmt`` chunk; None unless PCM or float."""
    if len(block) < 16:
        return None
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack("<HHIIHH", block[:16])
    if tag == _EXTENSIBLE and len(block) >= 26:
        tag = struct.unpack("<H", block[24:26])[0]
    widths = {_PCM: (1, 2, 3, 4), _FLOAT: (4, 8)}.get(tag, ())
    if not channels or (bits + 7) // 8 not in widths or frame_bytes != channels * ((bits + 7) // 8):
        return None
    return tag, channels, rate_hz, frame_bytes, bits


def _judge(
    file: BinaryIO,
    size: int,
    form: str,
    fmt: tuple[int, int, int, int, int],
    body: int,
    claimed: int,
    chunks: dict[str, tuple[int, int]],
) -> ChunkLayout:
    """Compare what the data chunk claims with what the file holds."""
    tag, channels, rate_hz, frame_bytes, bits = fmt
    there = size - body
    verdict: Verdict = "sound"
    audio = claimed
    if claimed > there:
        streamed = form == "riff" and any(claimed in sizes for sizes in _STREAMED_SIZES)
        verdict, audio = ("unfinished" if streamed else "cut short"), there
    elif there - claimed > 1:
        after = _after_chunk(file, body, claimed)
        if not _chunks_fill(file, after, size) and not _tags_fill(file, after, size):
            verdict, audio = "unfinished", there
    return ChunkLayout(
        form=form,
        rate_hz=rate_hz,
        channels=channels,
        bits=bits,
        is_float=tag == _FLOAT,
        frame_bytes=frame_bytes,
        data_offset=body,
        claimed_bytes=claimed,
        audio_bytes=audio,
        verdict=verdict,
        chunks=chunks,
    )


def _chunks_fill(file: BinaryIO, offset: int, size: int) -> bool:
    """Whether well-formed chunks reach from ``offset`` to the end: then what follows is not audio."""
    for _ in range(_MOST_CHUNKS):
        if size - offset <= 1:
            return True
        file.seek(offset)
        raw = file.read(8)
        if len(raw) < 8 or not all(32 <= byte < 127 for byte in raw[:4]):
            return False
        length = struct.unpack("<I", raw[4:])[0]
        offset = _after_chunk(file, offset + 8, length)
        if offset > size + 1:
            return False
    return False


def _tags_fill(file: BinaryIO, offset: int, size: int) -> bool:
    """Whether what follows the last chunk is tags that were hung on behind it, to the last byte: ID3v2 (its head of 10 bytes, the
    length in four times 7 bits; id3.org, "ID3 tag version 2.4.0", 3.1), then ID3v1 (128 bytes from "TAG" on; from memory)."""
    file.seek(offset)
    head = file.read(10)
    if head[:3] == b"ID3" and len(head) == 10:
        length = 0
        for byte in head[6:]:
            length = length << 7 | byte & 0x7F
        offset += 10 + length
    if offset < size:
        file.seek(offset)
        return size - offset == 128 and file.read(3) == b"TAG"
    return offset == size
