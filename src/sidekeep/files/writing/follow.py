"""Reading a file back while it is still being written, a stretch behind its writer, and bringing it to the disk meanwhile.

What is compared, and by whose decoder, is as in ``read_back``. It is for a file that grows at its end alone: what was read is not
touched again, but for the head, which is read once more when all is there. So at the end hardly anything is left to wait for.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import soundfile

from sidekeep.errors import AudioFileError
from sidekeep.files.atomic import flush_file
from sidekeep.files.checksum import StripeSums
from sidekeep.files.writing.read_back import ReadBack, read_plain, stripe_bytes

STEP_BYTES = 8 << 20
"""How far behind the writer: some thirty seconds of a usual file, which are read in a hundredth of one. Chosen here."""


class Follower:
    """Reads one growing file in a thread of its own. ``come`` may be called as often as more is there, then ``finish`` or
    ``drop`` once."""

    def __init__(self, path: Path, channels: int, bits: int, is_float: bool) -> None:
        self._path, self._bits, self._is_float = path, bits, is_float
        self._frame_bytes = channels * bits // 8
        self._sums = StripeSums(stripe_bytes(channels, bits, is_float))
        self._asked, self._frames, self._peak = 0, 0, 0.0
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="follow")
        self._steps: list[Future[None]] = []

    @property
    def has_begun(self) -> bool:
        """Whether anything was read yet, or is to be."""
        return bool(self._steps)

    def is_behind(self, frames: int) -> bool:
        """Whether so many frames are enough to come after."""
        return (frames - self._asked) * self._frame_bytes >= STEP_BYTES

    def come(self, frames: int) -> None:
        """So many frames are in the file, and its head says so."""
        self._asked = frames
        self._steps.append(self._pool.submit(self._go_on, frames))

    def finish(self) -> ReadBack:
        """The file is whole: read the rest. Raises what went wrong on the way: ``OSError``, or ``AudioFileError`` where it cannot
        be decoded."""
        self._pool.shutdown()
        for step in self._steps:
            step.result()
        try:
            with soundfile.SoundFile(str(self._path)) as handle:
                self._read(handle, handle.frames)
                rate_hz, channels = handle.samplerate, handle.channels
        except soundfile.SoundFileError as error:
            raise AudioFileError("not-decoded", path=self._path, reason=error) from error
        return ReadBack(
            frames=self._frames,
            rate_hz=rate_hz,
            channels=channels,
            peak=self._peak,
            level=0.0,
            samples_sums=self._sums.sums,
        )

    def drop(self) -> None:
        """Let the file go."""
        self._pool.shutdown(cancel_futures=True)

    def _go_on(self, frames: int) -> None:
        try:
            with soundfile.SoundFile(str(self._path)) as handle:
                self._read(handle, frames)
        except soundfile.SoundFileError as error:
            raise AudioFileError("not-decoded", path=self._path, reason=error) from error
        flush_file(self._path)

    def _read(self, handle: soundfile.SoundFile, stop: int) -> None:
        count, peak = read_plain(handle, self._frames, stop, self._sums, self._bits, self._is_float)
        self._frames, self._peak = self._frames + count, max(self._peak, peak)
