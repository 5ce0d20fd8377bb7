"""What an m4a file says about where its sound begins and ends (ISO/IEC 14496-12).

Two ways are in use and both are written: the edit list (section 8.6.6), whose media time skips what comes before the
first frame, and a text in the metadata that names delay, padding and length in hexadecimal (a fact of the container
as players read it; common practice, no source).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

END_STATEMENT = "iTunSMPB"
"""Name of the text: players know it by this one."""

_HOLDERS = (b"moov", b"trak", b"edts", b"mdia")
_MOST_BOXES = 10_000


@dataclass(frozen=True, kw_only=True)
class SoundEdit:
    """Frames to skip at the start, and frames of sound after them. Times are in frames when both time scales are
    the sample rate, as in the files written here."""

    skip_frames: int
    length_frames: int

    def statement(self) -> str:
        """Delay, padding and length as the text wants them."""
        # Packets are filled up from the front, so that nothing is left over at the end.
        rest = " ".join(["00000000"] * 8)
        return f" 00000000 {self.skip_frames:08X} 00000000 {self.length_frames:016X} {rest}"


def read_sound_edit(path: Path) -> SoundEdit | None:
    """The edit of the first sound track; None without one, or in a file that is no m4a."""
    handler = b""
    edit: SoundEdit | None = None
    with open(path, "rb") as file:
        size = file.seek(0, os.SEEK_END)
        for name, body, stop in _boxes(file, 0, size):
            if name == b"trak":
                handler, edit = b"", None
            elif name == b"hdlr" and not handler:
                file.seek(body + 8)
                handler = file.read(4)
            elif name == b"elst":
                file.seek(body)
                edit = _first_edit(file.read(min(stop - body, 64)))
            if edit is not None and handler == b"soun":
                return edit
    return None


def _first_edit(data: bytes) -> SoundEdit | None:
    form = ">qq" if data[:1] == b"\x01" else ">Ii"
    if len(data) < 8 + struct.calcsize(form) or struct.unpack(">I", data[4:8])[0] != 1:
        return None
    length, skip = struct.unpack_from(form, data, 8)
    return SoundEdit(skip_frames=skip, length_frames=length) if skip >= 0 else None


def _boxes(file: BinaryIO, start: int, stop: int) -> Iterator[tuple[bytes, int, int]]:
    """(name, start of body, end) of the boxes in order, going into those that hold others."""
    waiting = [(start, stop)]
    for _ in range(_MOST_BOXES):
        if not waiting:
            return
        at, end = waiting.pop()
        if end - at < 8:
            continue
        file.seek(at)
        size, name = struct.unpack(">I4s", file.read(8))
        body = at + 8
        if size == 1:
            size = struct.unpack(">Q", file.read(8))[0]
            body += 8
        after = end if size == 0 else at + size
        if not body <= after <= end:
            return
        waiting.append((after, end))
        yield name, body, after
        if name in _HOLDERS:
            waiting.append((body, after))
