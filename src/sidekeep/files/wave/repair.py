"""A recording that was interrupted, made whole: its head is brought to claim all the samples that are there."""

from __future__ import annotations

import os
import stat
import struct
from dataclasses import dataclass
from pathlib import Path

from sidekeep.errors import AudioFileError
from sidekeep.files.atomic import copy_error
from sidekeep.files.flushing import flush_content
from sidekeep.files.wave.chunks import ChunkLayout, survey_chunks
from sidekeep.files.wave.rf64 import (
    DS64_BYTES,
    O_BINARY,
    RIFF_LIMIT_BYTES,
    UNKNOWN_BYTES,
    write_at,
)


@dataclass(frozen=True, kw_only=True)
class RepairReport:
    """What ``repair_take`` found: frames by the old head, frames now, bytes of a torn last frame cut off.

    ``missing_frames`` were claimed by the head but are not in the file.
    """

    path: Path
    claimed_frames: int
    frames: int
    torn_bytes: int
    missing_frames: int
    changed: bool


def repair_take(path: str | os.PathLike[str]) -> RepairReport:
    """Bring the head of a take in line with what the file holds and cut off a torn last frame.

    Samples are never changed, a sound file is left alone. Raises ``AudioFileError`` when the file is not
    a WAV of linear samples or its head was not even written, or when its sizes need a ds64 chunk and
    there is no room for one.
    """
    file = Path(path)
    try:
        descriptor = _open_for_repair(file)
    except OSError as error:
        raise AudioFileError("not-opened-for-repair", file=file, reason=error.strerror) from error
    try:
        with open(os.dup(descriptor), "rb") as handle:
            layout = survey_chunks(handle)
        if layout is None:
            raise AudioFileError("no-head", file=file)
        changed = layout.verdict != "sound" or layout.torn_bytes > 0
        if changed:
            _mend_head(descriptor, file, layout)
    except OSError as error:
        raise copy_error(error, file) from error
    finally:
        os.close(descriptor)
    return RepairReport(
        path=file,
        claimed_frames=layout.claimed_frames,
        frames=layout.length_frames,
        torn_bytes=layout.torn_bytes,
        missing_frames=max(0, layout.claimed_frames - layout.length_frames)
        if layout.verdict == "cut short"
        else 0,
        changed=changed,
    )


def _open_for_repair(file: Path) -> int:
    """A take that was made read-only before its facts were written is made writable for as long as this takes."""
    try:
        return os.open(file, os.O_RDWR | O_BINARY)
    except PermissionError:
        mode = file.stat().st_mode
        file.chmod(mode | stat.S_IWUSR)
        try:
            return os.open(file, os.O_RDWR | O_BINARY)
        finally:
            file.chmod(mode)


def _mend_head(descriptor: int, file: Path, layout: ChunkLayout) -> None:
    audio = layout.length_frames * layout.frame_bytes
    end = layout.data_offset + audio
    os.ftruncate(descriptor, end)
    os.lseek(descriptor, 0, os.SEEK_END)
    if audio % 2:
        os.write(descriptor, b"\0")
    riff_size = end + audio % 2 - 8
    reserve, reserve_bytes = layout.chunks.get("ds64") or layout.chunks.get("JUNK") or (0, 0)
    first = reserve == 20 and reserve_bytes >= DS64_BYTES
    big = riff_size >= RIFF_LIMIT_BYTES
    if big and not first:
        raise AudioFileError("no-room-for-sizes", file=file)
    flush_content(descriptor)
    if big:
        body = struct.pack("<QQQI", riff_size, audio, layout.length_frames, 0)
        write_at(descriptor, b"ds64", 12)
        write_at(descriptor, body, 20)
    elif first:
        write_at(descriptor, b"JUNK", 12)
        write_at(descriptor, bytes(DS64_BYTES), 20)
    if "fact" in layout.chunks:
        count = struct.pack("<I", UNKNOWN_BYTES if big else layout.length_frames)
        write_at(descriptor, count, layout.chunks["fact"][0])
    write_at(descriptor, struct.pack("<I", UNKNOWN_BYTES if big else audio), layout.data_offset - 4)
    write_at(descriptor, struct.pack("<I", UNKNOWN_BYTES if big else riff_size), 4)
    write_at(descriptor, b"RF64" if big else b"RIFF", 0)
    flush_content(descriptor)
