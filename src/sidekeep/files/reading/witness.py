"""Whether a recording still is what it was, answered while it is read and not by reading it twice.

Plain WAV and RF64 are hashed from the very blocks that are worked on; what a library decodes is hashed by a
thread beside it, which reads the same pages of the system's cache.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType

from sidekeep.files.checksum import FileState, Tap, file_sha256
from sidekeep.files.reading.joined_source import JoinedSource
from sidekeep.files.reading.library_source import SndfileSource
from sidekeep.files.reading.source import FileSource


class Witness:
    """Watches the files of one source while it is read; ``finish`` gives their checksums and what changed.

    As a context manager it lets the files go. Give it the source before its first block is read.
    """

    def __init__(self, source: FileSource) -> None:
        self._parts = source.parts if isinstance(source, JoinedSource) else [source]
        self._states = [FileState.of(part.path) for part in self._parts]
        self._pool: ThreadPoolExecutor | None = None
        self._sums: list[Tap | Future[str]] = []
        for part in self._parts:
            if isinstance(part, SndfileSource) and part.reads_plainly:
                part.tap = Tap(part.path)
                self._sums.append(part.tap)
            else:
                self._pool = self._pool or ThreadPoolExecutor(1, thread_name_prefix="checksum")
                self._sums.append(self._pool.submit(file_sha256, part.path))

    def finish(self) -> tuple[str, ...]:
        """SHA-256 of every file, in order. ``OSError`` comes out as it is."""
        return tuple(each.finish() if isinstance(each, Tap) else each.result() for each in self._sums)

    def changed(self) -> int | None:
        """Index of the first file that was replaced, grew or was written to since the start; None: none."""
        for index, (part, before) in enumerate(zip(self._parts, self._states, strict=True)):
            try:
                if FileState.of(part.path) != before:
                    return index
            except OSError:
                return index
        return None

    def __enter__(self) -> Witness:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        for part, each in zip(self._parts, self._sums, strict=True):
            if isinstance(each, Tap):
                each.drop()
                if isinstance(part, SndfileSource):
                    part.tap = None
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
