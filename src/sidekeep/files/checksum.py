"""The one place that takes checksums: of bytes, of files whole or while somebody else reads them, of what is copied or written.

SHA-256 (FIPS 180-4) for all that is kept; ``file_digest`` takes others too, for bags made elsewhere. ``OSError`` comes out
of these functions as it is, but for what is said otherwise.
"""

from __future__ import annotations

import hashlib
import os
import threading
import zlib
from dataclasses import dataclass
from io import BufferedIOBase, RawIOBase
from pathlib import Path
from typing import BinaryIO, Protocol

from sidekeep.errors import AudioFileError
from sidekeep.files.flushing import flush_descriptor

CHUNK_BYTES = 1 << 20


Bytes = bytes | bytearray | memoryview


class Sum(Protocol):
    """A checksum that grows."""

    def update(self, data: Bytes, /) -> None:
        """Take in what comes next."""

    def hexdigest(self) -> str:
        """Of everything so far, in hex."""


def sha256() -> Sum:
    """An empty SHA-256, for what comes in pieces."""
    return hashlib.sha256()


def md5() -> Sum:
    """An empty MD5: what FLAC carries of its samples, no protection against anybody."""
    return hashlib.md5(usedforsecurity=False)


def bytes_sha256(content: Bytes) -> str:
    """SHA-256 of bytes, in hex."""
    return hashlib.sha256(content).hexdigest()


def text_sha256(text: str) -> str:
    """SHA-256 of a text as ``write_text`` would write it, in hex."""
    return bytes_sha256(text.encode("utf-8", "replace"))


def rest_sha256(file: BufferedIOBase | RawIOBase) -> str:
    """SHA-256 of an open file from where it stands to its end."""
    return hashlib.file_digest(file, "sha256").hexdigest()


def copy_sha256(source: str | os.PathLike[str], target: str | os.PathLike[str]) -> str:
    """Copy a recording into a new file, bring it to the disk, and give the SHA-256 of what was read on the way.

    ``target`` must not be there: ``FileExistsError``. A ``source`` that cannot be read is an ``AudioFileError``, so that nobody
    looks for the fault on the other disk."""
    digest = hashlib.sha256()
    with open(source, "rb", buffering=0) as reading, open(target, "xb") as writing:
        while chunk := _next_chunk(reading, source):
            digest.update(chunk)
            writing.write(chunk)
        writing.flush()
        flush_descriptor(writing.fileno())
    return digest.hexdigest()


def _next_chunk(file: RawIOBase, path: str | os.PathLike[str]) -> bytes:
    try:
        return file.read(CHUNK_BYTES) or b""
    except OSError as error:
        raise AudioFileError("recording-unread", path=path, reason=error.strerror) from error


class StripeSums:
    """The CRC-32 of every stripe of so many bytes (the polynomial of ISO 3309, as in gzip and PNG).

    For what was written a moment ago and is read back: no protection against anybody, but against whatever happens by itself. It
    takes a third of what SHA-256 takes where the processor has that built in, a tenth where it has not, and stripes can be summed
    side by side.
    """

    def __init__(self, stripe_bytes: int) -> None:
        self._stripe_bytes = stripe_bytes
        self._whole: list[int] = []
        self._sum, self._held = 0, 0

    def update(self, data: Bytes) -> None:
        """Take in what comes next."""
        view = memoryview(data).cast("B")
        while len(view) >= self._stripe_bytes - self._held:
            part, view = view[: self._stripe_bytes - self._held], view[self._stripe_bytes - self._held :]
            self._whole.append(zlib.crc32(part, self._sum))
            self._sum, self._held = 0, 0
        self._sum = zlib.crc32(view, self._sum)
        self._held += len(view)

    @property
    def sums(self) -> tuple[int, ...]:
        """Of every stripe so far, the last of which may be shorter."""
        return (*self._whole, self._sum) if self._held else tuple(self._whole)


class SummedFile:
    """An open file that is only written to, and the SHA-256 of what was written."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._digest = hashlib.sha256()

    def write(self, data: Bytes) -> int:
        """Write and take in."""
        self._digest.update(data)
        return self._file.write(data)

    @property
    def sha256(self) -> str:
        """Of everything written so far, in hex."""
        return self._digest.hexdigest()


def file_sha256(path: str | os.PathLike[str]) -> str:
    """SHA-256 of a file's bytes, in hex."""
    return file_digest(path, "sha256")


def file_digest(path: str | os.PathLike[str], algorithm: str) -> str:
    """Digest of a file by any algorithm ``hashlib`` knows, in hex."""
    digest = hashlib.new(algorithm, usedforsecurity=False)
    buffer = bytearray(CHUNK_BYTES)
    view = memoryview(buffer)
    with open(path, "rb", buffering=0) as handle:
        while count := handle.readinto(buffer):
            digest.update(view[:count])
    return digest.hexdigest()


@dataclass(frozen=True, kw_only=True)
class FileState:
    """What changes when a file is replaced, grows or is written to."""

    device: int
    inode: int
    size_bytes: int
    mtime_ns: int

    @classmethod
    def of(cls, path: str | os.PathLike[str]) -> FileState:
        """The state now."""
        found = os.stat(path)
        return cls(
            device=found.st_dev, inode=found.st_ino, size_bytes=found.st_size, mtime_ns=found.st_mtime_ns
        )


class Tap:
    """SHA-256 of a file taken from the bytes that somebody reads anyway, in order.

    ``saw`` takes what was read and where; what nobody read (a header, the groove between two tracks) is read
    here, what was seen already is passed over. One thread at a time reads a file, but not always the same.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._digest = hashlib.sha256()
        self._at = 0
        self._lock = threading.Lock()
        self._file = open(path, "rb", buffering=0)  # noqa: SIM115  (closed by finish or drop)

    def saw(self, offset: int, data: memoryview) -> None:
        """Bytes of the file from ``offset`` on."""
        with self._lock:
            if offset > self._at:
                self._read_to(offset)
            skip = self._at - offset
            if 0 <= skip < len(data):
                self._digest.update(data[skip:])
                self._at += len(data) - skip

    def finish(self) -> str:
        """The checksum of the whole file."""
        with self._lock:
            self._read_to(None)
        self.drop()
        return self._digest.hexdigest()

    def drop(self) -> None:
        """Let the file go."""
        self._file.close()

    def _read_to(self, stop: int | None) -> None:
        self._file.seek(self._at)
        while stop is None or self._at < stop:
            size = CHUNK_BYTES if stop is None else min(CHUNK_BYTES, stop - self._at)
            data = self._file.read(size)
            if not data:
                return
            self._digest.update(data)
            self._at += len(data)
