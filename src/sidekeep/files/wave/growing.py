"""A take that is still being recorded, read behind its writer.

Only what the head claims is read: the writer brings samples to the disk first and then the head that claims them
(``rf64``), and what was claimed is never taken back. The reader opens the file for reading, waits for nobody and is
waited for by nobody.
"""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

from sidekeep.errors import AudioFileError
from sidekeep.files.samples import unpack_samples
from sidekeep.files.wave.chunks import ChunkLayout, survey_chunks
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat


class GrowingTake:
    """Frames of a take in order, as they are claimed. Raises ``AudioFileError`` when the file is no take or gone."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.frames_read = 0
        self.claimed_frames = 0
        try:
            self._file: BinaryIO = open(path, "rb", buffering=0)  # noqa: SIM115  (closed by close)
        except OSError as error:
            raise AudioFileError("not-followed", path=path, reason=error.strerror) from error
        layout = survey_chunks(self._file)
        if layout is None or layout.is_float or layout.bits not in (16, 24, 32):
            self.close()
            raise AudioFileError("no-head-to-follow", path=path)
        self._layout = layout
        self.form = AudioFormat(rate_hz=layout.rate_hz, channels=layout.channels, bits=layout.bits)
        self._claim(layout)

    def look(self) -> int:
        """Read the head again; the frames that can be read now."""
        try:
            layout = survey_chunks(self._file)
        except OSError as error:
            raise AudioFileError("not-followed", path=self.path, reason=error.strerror) from error
        if layout is not None and layout.data_offset == self._layout.data_offset:
            self._claim(layout)
        return self.claimed_frames - self.frames_read

    def read(self, most_frames: int) -> Audio:
        """The next claimed frames, ``most_frames`` or fewer; none when the writer has not come further."""
        layout = self._layout
        count = min(most_frames, self.claimed_frames - self.frames_read)
        data = bytearray(1 + count * layout.frame_bytes)
        room = memoryview(data)[1:]
        try:
            self._file.seek(layout.data_offset + self.frames_read * layout.frame_bytes)
            while len(room):
                got = self._file.readinto(room)  # type: ignore[attr-defined]
                if not got:
                    raise AudioFileError("became-shorter", path=self.path)
                room = room[got:]
        except OSError as error:
            raise AudioFileError("not-followed", path=self.path, reason=error.strerror) from error
        self.frames_read += count
        return unpack_samples(data, count * layout.channels, layout.bits).reshape(count, layout.channels)

    def close(self) -> None:
        """Let the file go."""
        self._file.close()

    def __enter__(self) -> GrowingTake:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _claim(self, layout: ChunkLayout) -> None:
        """A head caught half written may claim anything: only a claim that is there and goes forward counts."""
        there = (self._file.seek(0, 2) - layout.data_offset) // layout.frame_bytes
        if self.claimed_frames <= layout.claimed_frames <= there:
            self.claimed_frames = layout.claimed_frames
