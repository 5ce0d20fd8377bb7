"""A file that can only be decoded forward: decoded once into a temporary file, then read at will."""

from __future__ import annotations

import os
import tempfile
import threading
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np

from sidekeep.errors import AudioFileError
from sidekeep.files.reading.decode import Decoder, to_float
from sidekeep.files.reading.problems import cut_short, damaged
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat


class _Spool:
    """A nameless temporary file of samples, read at any place by any thread, gone with its owner."""

    def __init__(self) -> None:
        self.file: BinaryIO = tempfile.TemporaryFile(prefix="sidekeep-")  # noqa: SIM115
        self._lock = threading.Lock()

    def read(self, offset: int, size: int) -> bytes:
        if hasattr(os, "pread"):
            return os.pread(self.file.fileno(), size, offset)
        with self._lock:
            self.file.seek(offset)
            return self.file.read(size)


class DecodedSource(FileSource):
    """A file that can only be decoded forward: decoded once into a temporary file, then read at will.

    Lossy codecs carry state from packet to packet, so that a seek gives slightly other samples than playing
    through; with the temporary file every read gives the same ones.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        decoder = Decoder(path)
        coding = decoder.coding
        self._spool = _Spool()
        weakref.finalize(self, self._spool.file.close)
        self._dtype = coding.dtype
        length, low_byte = 0, 0
        promised = decoder.promised_frames or 0
        try:
            for samples in decoder.frames():
                length += len(samples)
                if samples.dtype == np.int32:
                    low_byte |= int(np.bitwise_or.reduce(samples & 0xFF, axis=None))
                self._spool.file.write(samples.tobytes())
            self._spool.file.flush()
        except OSError as error:
            raise AudioFileError(
                "not-unpacked", path=path, folder=tempfile.gettempdir(), reason=error.strerror
            ) from error
        finally:
            decoder.close()
        bits = 8 * coding.dtype.itemsize
        self.format = AudioFormat(
            rate_hz=coding.rate_hz,
            channels=coding.channels,
            # A 32-bit container whose low byte is never used holds 24-bit audio.
            bits=24 if bits == 32 and coding.dtype.kind == "i" and not low_byte else bits,
            is_float=coding.dtype.kind == "f",
            length_frames=length,
            container=coding.codec,
        )
        # Half a second: some containers round their length, and some codecs their last packet.
        if promised > length + coding.rate_hz // 2 and length:
            self.problems.append(cut_short(self, claimed_frames=promised))
        if decoder.damaged_packets:
            self.problems.append(damaged(self, decoder.damaged_packets))

    def _blocks(self, block_frames: int, start: int, stop: int) -> Iterator[Audio]:
        channels = self.format.channels
        frame_bytes = channels * self._dtype.itemsize
        for at in range(start, stop, block_frames):
            count = min(block_frames, stop - at)
            data = self._spool.read(at * frame_bytes, count * frame_bytes)
            yield to_float(np.frombuffer(data, self._dtype).reshape(-1, channels))
