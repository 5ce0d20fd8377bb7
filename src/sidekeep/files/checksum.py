"""The one place that takes checksums of files, whole or while somebody else reads them.

SHA-256 (FIPS 180-4) throughout; ``file_digest`` takes others too, for bags made elsewhere. ``OSError`` comes out
of these functions as it is.
"""

from __future__ import annotations

import hashlib
import os
import threading
from dataclasses import dataclass
from pathlib import Path

CHUNK_BYTES = 1 << 20


def bytes_sha256(content: bytes | bytearray | memoryview) -> str:
    """SHA-256 of bytes, in hex."""
    return hashlib.sha256(content).hexdigest()


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
