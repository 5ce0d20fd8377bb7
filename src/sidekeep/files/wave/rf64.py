"""Our own append-only Broadcast Wave writer, made so that nothing recorded is ever lost.

The file begins with a head of fixed length and only grows after it::

    RIFF size WAVE | JUNK 28 bytes | bext | fmt | (fact) | data size | samples ...

Past 4 GiB the same head reads RF64 and its JUNK chunk becomes ds64 with 64-bit sizes (EBU Tech 3306,
ITU-R BS.2088), so no sample ever moves. ``sync`` brings the samples to the disk first and then the head that
claims them: killed at any moment, the file is valid as of the last sync, and ``repair_take`` brings in
what was written after it. Samples are little-endian; frames are whole.

Copies, whose length is known beforehand, need no reserve: theirs is the plainest head there is (44 bytes for 16 bits), and more
than 16 bits are declared in the extensible form of ``fmt``, as its description asks for (Microsoft, "Multiple channel audio
data and WAVE files", 2001).
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ParameterError
from sidekeep.files.atomic import copy_error, whole_file
from sidekeep.files.flushing import flush_content
from sidekeep.files.samples import pack_samples
from sidekeep.files.wave.bext import Bext

UNKNOWN_BYTES = 0xFFFFFFFF
DS64_BYTES = 28
RIFF_LIMIT_BYTES = 0xFFFFFFFF
"""The first RIFF size that does not fit (0xFFFFFFFF itself means: look in ds64)."""
_PIECE_FRAMES = 1 << 18
"""Read back at once: some seconds (chosen here)."""
_EXTENSIBLE = 0xFFFE
_FRONT_LEFT_RIGHT, _FRONT_CENTRE = 0x3, 0x4
_SUBFORMAT_REST = bytes.fromhex("000000001000800000aa00389b71")
"""What follows the format's number in the identifier of a subformat."""
O_BINARY = getattr(os, "O_BINARY", 0)


def _chunk(name: bytes, body: bytes) -> bytes:
    """A chunk with its head and, when its length is odd, the pad byte that is not counted."""
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


class Head:
    """The head of a file: the same length whatever the number of samples. With ``of_copy`` it has no reserve for 64-bit
    sizes and an extensible ``fmt`` where the form asks for it."""

    def __init__(
        self,
        *,
        rate_hz: int,
        channels: int,
        bits: int,
        is_float: bool,
        bext: Bext | None,
        of_copy: bool = False,
    ) -> None:
        self.frame_bytes = channels * bits // 8
        tag = 3 if is_float else 1
        is_extensible = of_copy and not is_float and bits > 16
        fmt = struct.pack(
            "<HHIIHH",
            _EXTENSIBLE if is_extensible else tag,
            channels,
            rate_hz,
            rate_hz * self.frame_bytes,
            self.frame_bytes,
            bits,
        )
        if is_extensible:
            mask = _FRONT_CENTRE if channels == 1 else _FRONT_LEFT_RIGHT
            fmt += struct.pack("<HHIH", 22, bits, mask, tag) + _SUBFORMAT_REST
        self._has_fact = is_float
        self._has_reserve = not of_copy
        self._middle = (_chunk(b"bext", bext.to_bytes()) if bext else b"") + _chunk(b"fmt ", fmt)
        reserve = 0 if of_copy else 8 + DS64_BYTES
        self.size = 12 + reserve + len(self._middle) + (12 if is_float else 0) + 8

    def bytes_for(self, audio_bytes: int) -> bytes:
        """The head that claims ``audio_bytes`` bytes of samples."""
        frames = audio_bytes // self.frame_bytes
        riff_size = self.size - 8 + audio_bytes + audio_bytes % 2
        big = self._has_reserve and riff_size >= RIFF_LIMIT_BYTES
        parts = [b"RF64" if big else b"RIFF", struct.pack("<I", UNKNOWN_BYTES if big else riff_size), b"WAVE"]
        if big:
            parts.append(_chunk(b"ds64", struct.pack("<QQQI", riff_size, audio_bytes, frames, 0)))
        elif self._has_reserve:
            parts.append(_chunk(b"JUNK", bytes(DS64_BYTES)))
        parts.append(self._middle)
        if self._has_fact:
            parts.append(_chunk(b"fact", struct.pack("<I", UNKNOWN_BYTES if big else frames)))
        parts.append(b"data" + struct.pack("<I", UNKNOWN_BYTES if big else audio_bytes))
        return b"".join(parts)


def write_at(descriptor: int, data: bytes, offset: int) -> None:
    """Write all of ``data`` at ``offset`` and leave the end of the file as the place to go on."""
    if hasattr(os, "pwrite"):
        done = 0
        while done < len(data):
            done += os.pwrite(descriptor, data[done:], offset + done)
        return
    os.lseek(descriptor, offset, os.SEEK_SET)
    done = 0
    while done < len(data):
        done += os.write(descriptor, data[done:])
    os.lseek(descriptor, 0, os.SEEK_END)


class TakeWriter:
    """Append samples to a new file; refuses one that exists unless ``replace``.

    ``is_part``: the file lies under a temporary name, and who gives it its own brings it to the disk before: nothing is waited
    for here.

    bits: 16, 24 or 32 (32 or 64 with ``is_float``). With ``of_copy`` the file may not pass 4 GiB. Not for several
    threads at once. Any failure of the disk is a ``CopyError``; what was appended before it stays whole and
    can be synced and closed.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        rate_hz: int,
        channels: int,
        bits: int,
        bext: Bext | None = None,
        is_float: bool = False,
        of_copy: bool = False,
        replace: bool = False,
        is_part: bool = False,
    ) -> None:
        if bits not in ((32, 64) if is_float else (16, 24, 32)):
            raise ParameterError("wav-float-bits" if is_float else "sample-bits", bits=bits)
        if channels < 1 or rate_hz < 1:
            raise ParameterError("wav-form", channels=channels, rate_hz=rate_hz)
        self.path = Path(path)
        self.bits = bits
        self.channels = channels
        self.synced_frames = 0
        self._head = Head(
            rate_hz=rate_hz, channels=channels, bits=bits, is_float=is_float, bext=bext, of_copy=of_copy
        )
        self._bytes = 0
        self._room = np.empty(0, np.uint8)
        self._is_part = is_part
        try:
            if is_part:
                self.path.write_bytes(self._head.bytes_for(0))
            else:
                # The name appears with a whole head behind it: killed in between, no unreadable file is left.
                with whole_file(self.path, replace) as part:
                    part.write_bytes(self._head.bytes_for(0))
            self._file = os.open(self.path, os.O_RDWR | O_BINARY)
        except OSError as error:
            raise copy_error(error, self.path) from error
        os.lseek(self._file, 0, os.SEEK_END)
        self._open = True
        self._now: Path | None = None

    @property
    def frames(self) -> int:
        """Whole frames appended so far."""
        return self._bytes // self._head.frame_bytes

    def append_bytes(self, raw: bytes | bytearray | memoryview) -> None:
        """Append little-endian samples of whole frames, as the sound card gives them."""
        if len(raw) % self._head.frame_bytes:
            raise ParameterError("wav-block-cut", bytes=len(raw), frame_bytes=self._head.frame_bytes)
        try:
            self._write_all(raw)
        except OSError as error:
            # A full disk may have taken part of the block: back to the last whole block. One that takes nothing at all any more
            # refuses this too, and what is told is the first refusal.
            end = self._head.size + self._bytes
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, end)
                os.lseek(self._file, end, os.SEEK_SET)
            raise copy_error(error, self.path) from error
        self._bytes += len(raw)

    def append(self, samples: NDArray[Any]) -> None:
        """Append whole numbers of ``bits`` bits, shape (n, channels)."""
        if samples.ndim != 2 or samples.shape[1] != self.channels:
            raise ParameterError("wav-columns", shape=samples.shape, channels=self.channels)
        if self.bits == 24 and 3 * samples.size > len(self._room):
            self._room = np.empty(3 * samples.size, np.uint8)
        self.append_bytes(pack_samples(samples, self.bits, self._room))

    def free_bytes(self) -> int:
        """What an ordinary user may still write on this file's disk, wherever its folder is called now."""
        if hasattr(os, "fstatvfs"):
            disk = os.fstatvfs(self._file)
            return disk.f_bavail * disk.f_frsize
        return shutil.disk_usage(self.path.parent).free

    def path_now(self) -> Path:
        """Where the file is, even if its folder was renamed meanwhile (where the system tells)."""
        return (self._whereabouts() if self._open else self._now) or self.path

    def is_in_place(self) -> bool:
        """Whether the file can be found again: not once it was deleted, or its disk was taken away from under it (where the
        system tells)."""
        if not hasattr(os, "pread"):
            return True
        if self._whereabouts() is not None:
            return True
        try:
            return os.fstat(self._file).st_nlink > 0 and not os.path.isdir("/proc/self/fd")
        except OSError:
            return True

    def read_back(self) -> Iterator[bytes]:
        """What was appended so far, in pieces, out of the open file: it can be had as long as that is open."""
        at = 0
        while at < self._bytes:
            wanted = min(_PIECE_FRAMES * self._head.frame_bytes, self._bytes - at)
            piece = os.pread(self._file, wanted, self._head.size + at)
            if len(piece) < wanted:
                raise OSError(errno.EIO, os.strerror(errno.EIO), str(self.path))
            at += len(piece)
            yield piece

    def sync(self) -> None:
        """Make all appended frames safe: samples to the disk, then the head that claims them."""
        try:
            flush_content(self._file)
            write_at(self._file, self._head.bytes_for(self._bytes), 0)
            flush_content(self._file)
        except OSError as error:
            raise copy_error(error, self.path) from error
        self.synced_frames = self.frames

    def claim(self) -> None:
        """Let the head claim all appended frames: they can be read from now on, but nothing is brought to the disk."""
        try:
            write_at(self._file, self._head.bytes_for(self._bytes), 0)
        except OSError as error:
            raise copy_error(error, self.path) from error

    def close(self) -> None:
        """Pad to an even length, sync (a part gets its head only) and let the file go; closing twice does nothing."""
        if not self._open:
            return
        try:
            if self._bytes % 2:
                self._write_all(b"\0")
            if self._is_part:
                write_at(self._file, self._head.bytes_for(self._bytes), 0)
            else:
                self.sync()
        except OSError as error:
            raise copy_error(error, self.path) from error
        finally:
            self._now = self._whereabouts()
            self._drop()

    def __enter__(self) -> TakeWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _whereabouts(self) -> Path | None:
        try:
            if os.path.samestat(os.stat(self.path), os.fstat(self._file)):
                return self.path
        except OSError:
            pass
        try:
            found = Path(os.readlink(f"/proc/self/fd/{self._file}"))
            return found if found.exists() else None
        except OSError:
            return None

    def _drop(self) -> None:
        self._open = False
        os.close(self._file)

    def _write_all(self, data: bytes | bytearray | memoryview) -> None:
        view = memoryview(data)
        done = 0
        while done < len(view):
            done += os.write(self._file, view[done:])
