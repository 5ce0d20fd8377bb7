"""What a pass of verifying has found right so far, kept while it runs, so that one that was stopped goes on where it was.

It is a help, never a condition: on a disk that is full or read-only the pass is made without it.
"""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path
from typing import IO

from sidekeep.errors import CopyError
from sidekeep.files.bounded import LIST_BYTES, read_bounded

NOTE_LASTS_S = 12 * 3600
"""How long a pass that was stopped may go on where it was: disks rot without touching any time."""
_FLUSH_EVERY = 256


class PassNote:
    """The note of one pass in the file ``path``; None keeps none."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._done: dict[str, str] = {}
        self._file: IO[str] | None = None
        self._count = 0
        if path is not None:
            with contextlib.suppress(OSError, CopyError):
                self._done = _read(path)
            with contextlib.suppress(OSError):
                self._file = open(path, "a", encoding="utf-8")  # noqa: SIM115

    def has(self, name: str, wanted: str, state: os.stat_result) -> bool:
        """Whether a file was found right in this pass and has not been written to since."""
        return self._done.get(name) == f"{wanted} {_stamp(state)}"

    def add(self, name: str, wanted: str, path: Path) -> None:
        """A file that was found right."""
        if self._file is None:
            return
        try:
            self._file.write(f"{wanted} {_stamp(path.stat())} {name.encode('unicode_escape').decode()}\n")
            self._count += 1
            if self._count % _FLUSH_EVERY == 0:
                self._file.flush()
        except OSError:
            self.close()

    def close(self) -> None:
        """Let go of the file; it stays for the next run."""
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):
                file.close()

    def remove(self) -> None:
        """The pass is over: the next one reads everything again."""
        self.close()
        if self._path is not None:
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)


def _stamp(state: os.stat_result) -> str:
    """What changes when a file is written to. The time of the last change of state cannot be set back."""
    return f"{state.st_size} {state.st_mtime_ns} {state.st_ctime_ns}"


def _read(path: Path) -> dict[str, str]:
    """Name to ``checksum size mtime ctime``; nothing when the pass was broken off too long ago."""
    if not path.is_file():
        return {}
    if time.time() - path.stat().st_mtime > NOTE_LASTS_S:
        path.unlink()
        return {}
    done: dict[str, str] = {}
    noted = read_bounded(path, "note", most_bytes=LIST_BYTES, error=CopyError)
    for line in noted.decode("utf-8", "replace").splitlines():
        parts = line.split(" ", 4)
        if len(parts) == 5:
            with contextlib.suppress(UnicodeDecodeError):  # a torn line
                name = parts[4].encode("ascii", "replace").decode("unicode_escape")
                done[name] = " ".join(parts[:4])
    return done
