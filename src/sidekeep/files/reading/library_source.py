"""A file the sound library reads, or whose plain samples lie there to be read. Every ``blocks`` call opens its own handle."""

from __future__ import annotations

import os
import weakref
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile

from sidekeep.errors import AudioFileError
from sidekeep.files.checksum import Tap
from sidekeep.files.names import library_name
from sidekeep.files.reading.own_sum import OwnSum
from sidekeep.files.reading.source import FileSource
from sidekeep.files.samples import unpack_samples
from sidekeep.files.wave.chunks import ChunkLayout
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat
from sidekeep.units import clock_text

SUBTYPE_BITS = {
    "PCM_S8": (8, False),
    "PCM_U8": (8, False),
    "PCM_16": (16, False),
    "PCM_24": (24, False),
    "PCM_32": (32, False),
    "FLOAT": (32, True),
    "DOUBLE": (64, True),
}


class _Window:
    """The rest of a file from an offset, as a file of its own, for the sound library to read."""

    def __init__(self, path: Path, offset: int, length: int) -> None:
        self._file = open(path, "rb")  # noqa: SIM115
        self._offset, self._length, self._at = offset, length, 0

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._length}[whence]
        self._at = base + offset
        return self._at

    def tell(self) -> int:
        return self._at

    def read(self, size: int = -1) -> bytes:
        left = max(0, self._length - self._at)
        self._file.seek(self._offset + self._at)
        data = self._file.read(left if size < 0 else min(size, left))
        self._at += len(data)
        return data

    def close(self) -> None:
        self._file.close()


class SndfileSource(FileSource):
    """A file the sound library reads; ``layout`` is given when its header is wrong and only the samples
    can be trusted, ``whole`` when all is right and plain samples may be read without the library."""

    def __init__(
        self,
        path: Path,
        container: str,
        layout: ChunkLayout | None = None,
        *,
        whole: ChunkLayout | None = None,
    ) -> None:
        super().__init__(path)
        self.tap: Tap | None = None
        self.own_sum: OwnSum | None = None
        self._layout = layout
        self._whole = whole
        with self._open() as handle:
            bits, is_float = SUBTYPE_BITS.get(handle.subtype, (16, False))
            self.format = AudioFormat(
                rate_hz=handle.samplerate,
                channels=handle.channels,
                bits=bits,
                is_float=is_float,
                length_frames=layout.length_frames if layout else handle.frames,
                container=container,
            )
        if whole is not None and (
            is_float or bits not in (16, 24, 32) or 8 * whole.frame_bytes != bits * whole.channels
        ):
            self._whole = None

    @property
    def reads_plainly(self) -> bool:
        """Whether blocks are read from the file as they lie there: then ``tap`` sees every byte of them."""
        return self._whole is not None

    def _open(self) -> soundfile.SoundFile:
        if self._layout is None:
            return soundfile.SoundFile(library_name(self.path))
        layout = self._layout
        width = layout.frame_bytes // layout.channels
        if layout.is_float:
            subtype = {4: "FLOAT", 8: "DOUBLE"}[width]
        else:
            subtype = {1: "PCM_U8", 2: "PCM_16", 3: "PCM_24", 4: "PCM_32"}[width]
        window = _Window(self.path, layout.data_offset, layout.length_frames * layout.frame_bytes)
        handle = soundfile.SoundFile(
            window,
            format="RAW",
            subtype=subtype,
            endian="LITTLE" if layout.is_little_endian else "BIG",
            samplerate=layout.rate_hz,
            channels=layout.channels,
        )
        weakref.finalize(handle, window.close)
        return handle

    def _blocks(self, block_frames: int, start: int, stop: int) -> Iterator[Audio]:
        if self._whole is not None:
            return self._plain_blocks(self._whole, block_frames, start, stop)
        return self._library_blocks(block_frames, start, stop)

    def _plain_blocks(self, layout: ChunkLayout, block_frames: int, start: int, stop: int) -> Iterator[Audio]:
        """Several times as fast as through the library."""
        data = bytearray(1 + min(block_frames, stop - start) * layout.frame_bytes)
        room = np.empty(min(block_frames, stop - start) * layout.channels, np.int32)
        at = start
        try:
            with open(self.path, "rb", buffering=0) as file:
                file.seek(layout.data_offset + start * layout.frame_bytes)
                while at < stop:
                    count = min(block_frames, stop - at)
                    block = left = memoryview(data)[1 : 1 + count * layout.frame_bytes]
                    while len(left):
                        got = file.readinto(left)
                        if not got:
                            raise self._broken(at)
                        left = left[got:]
                    if self.tap is not None:
                        self.tap.saw(layout.data_offset + at * layout.frame_bytes, block)
                    samples = unpack_samples(data, count * layout.channels, self.format.bits, room)
                    yield samples.reshape(count, layout.channels)
                    at += count
        except OSError as error:
            raise self._broken(at) from error

    def _library_blocks(self, block_frames: int, start: int, stop: int) -> Iterator[Audio]:
        at = start
        try:
            with self._open() as handle:
                if start:
                    handle.seek(start)
                while at < stop:
                    wanted = min(block_frames, stop - at)
                    block = handle.read(wanted, dtype="float64", always_2d=True)
                    at += len(block)
                    if len(block) < wanted:
                        raise self._broken(at)
                    if self.own_sum is not None:
                        self.own_sum.saw(at - wanted, block)
                    yield block
        except (soundfile.SoundFileError, OSError) as error:
            raise self._broken(at) from error

    def _broken(self, frame: int) -> AudioFileError:
        place = clock_text(frame / self.format.rate_hz, 1)
        return AudioFileError("broken-off", path=self.path, place=place, frame=frame)
