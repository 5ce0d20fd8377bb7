"""Whether a recording still is what it was, answered while it is read and not by reading it twice.

Plain WAV and RF64 are hashed from the very blocks that are worked on; what a library decodes is hashed by a
thread beside it, which reads the same pages of the system's cache. What a FLAC file says of its own sound is held
against the samples as they pass.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType

from sidekeep.files.checksum import FileState, Tap, file_sha256
from sidekeep.files.reading import problems
from sidekeep.files.reading.library_source import SndfileSource
from sidekeep.files.reading.own_sum import OwnSum
from sidekeep.files.reading.source import FileSource
from sidekeep.model.finding import Finding


class Witness:
    """Watches the files of one source while it is read; ``finish`` gives their checksums, ``changed`` what changed.
    Without ``takes_sums`` there are none: for what has no checksum to be compared with.

    As a context manager it lets the files go. Give it the source before its first block is read.
    """

    def __init__(self, source: FileSource, *, takes_sums: bool = True) -> None:
        self._parts = source.files
        self._states = [FileState.of(part.path) for part in self._parts]
        self._pool: ThreadPoolExecutor | None = None
        self._sums: list[Tap | Future[str]] = []
        for part in self._parts:
            if isinstance(part, SndfileSource) and part.format.container == "flac":
                part.own_sum = OwnSum(part.path, part.format.length_frames)
            if not takes_sums:
                continue
            if isinstance(part, SndfileSource) and part.reads_plainly:
                part.tap = Tap(part.path)
                self._sums.append(part.tap)
            else:
                self._pool = self._pool or ThreadPoolExecutor(1, thread_name_prefix="checksum")
                self._sums.append(self._pool.submit(file_sha256, part.path))

    def finish(self) -> tuple[str, ...]:
        """SHA-256 of every file, in order. ``OSError`` comes out as it is."""
        return tuple(each.finish() if isinstance(each, Tap) else each.result() for each in self._sums)

    def findings(self) -> tuple[Finding, ...]:
        """``own-sum-differs`` for every file that was read whole and whose sound is not what it says itself."""
        told: list[Finding] = []
        start = 0
        for part in self._parts:
            if isinstance(part, SndfileSource) and part.own_sum is not None and part.own_sum.differs:
                told.append(problems.sound_differs(part, start))
            start += part.format.length_frames
        return tuple(told)

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
        for part in self._parts:
            if isinstance(part, SndfileSource):
                part.own_sum = part.tap = None
        for each in self._sums:
            if isinstance(each, Tap):
                each.drop()
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
