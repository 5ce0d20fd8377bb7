"""The LIST/INFO chunk of a WAV file: what a reader that knows no ID3 finds (Microsoft/IBM RIFF 1.0, 1991, section 3-2).

``ITRK`` is not in that list but read widely (common practice, no source). The text is UTF-8: the description names no
alphabet but that of its day, and readers of today take it so; those that know both chunks prefer this one.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path

from sidekeep.errors import CopyError
from sidekeep.files.tags.tag_set import TagSet
from sidekeep.files.wave.chunks import UNKNOWN_32, survey_chunks

_TAG_CHUNKS = (b"LIST", b"id3 ", b"ID3 ")


def info_fields(tags: TagSet) -> list[tuple[bytes, str]]:
    """Names and values, empty ones left out; several values of one name are separated by semicolons."""
    fields = [
        (b"INAM", tags.title),
        (b"IART", "; ".join(tags.artists)),
        (b"IPRD", tags.album),
        (b"ICRD", tags.date),
        (b"IGNR", "; ".join(tags.genres)),
        (b"ITRK", str(tags.track_number or "")),
        (b"IMED", tags.media),
        (b"ICMT", tags.comment),
    ]
    return [(name, value) for name, value in fields if value]


def write_info(path: Path, tags: TagSet) -> None:
    """Put the list behind the samples, in place of one that is there; an ID3 chunk goes, to be written anew behind it.
    ``OSError`` comes out as it is."""
    with open(path, "r+b") as file:
        layout = survey_chunks(file)
        if layout is None or layout.form != "riff" or layout.verdict != "sound":
            raise CopyError("wav-not-whole", name=path.name)
        end = layout.data_offset + layout.audio_bytes
        end += end % 2
        file.seek(end)
        others = [chunk for chunk in _chunks(file.read()) if chunk[:4] not in _TAG_CHUNKS]
        body = b"".join(_chunk(name, value.encode("utf-8") + b"\0") for name, value in info_fields(tags))
        tail = b"".join(others) + (_chunk(b"LIST", b"INFO" + body) if body else b"")
        file.seek(end)
        if layout.audio_bytes % 2:
            # The pad byte of the samples may not have been written.
            file.seek(end - 1)
            tail = b"\0" + tail
        file.write(tail)
        file.truncate()
        size = file.seek(0, os.SEEK_END)
        file.seek(4)
        file.write(struct.pack("<I", size - 8))


def add_chunk(path: Path, name: bytes, body: bytes) -> None:
    """Append a chunk to a whole RIFF or RF64 file. ``OSError`` comes out as it is."""
    with open(path, "r+b") as file:
        layout = survey_chunks(file)
        if layout is None or layout.verdict != "sound":
            raise CopyError("wav-not-whole", name=path.name)
        end = file.seek(0, os.SEEK_END)
        file.write(b"\0" * (end % 2) + _chunk(name, body))
        size = file.tell() - 8
        if layout.form == "riff":
            if size >= UNKNOWN_32:
                raise CopyError("wav-too-long", name=path.name)
            file.seek(4)
            file.write(struct.pack("<I", size))
        else:
            file.seek(layout.chunks["ds64"][0])
            file.write(struct.pack("<Q", size))


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _chunks(raw: bytes) -> list[bytes]:
    """Whole chunks, pad bytes included; a torn one at the end is dropped."""
    found = []
    at = 0
    while at + 8 <= len(raw):
        length = struct.unpack("<I", raw[at + 4 : at + 8])[0]
        stop = at + 8 + length + length % 2
        if at + 8 + length > len(raw):
            break
        found.append(raw[at:stop].ljust(stop - at, b"\0"))
        at = stop
    return found
