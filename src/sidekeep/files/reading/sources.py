"""The sources behind ``reader.open_source``: read-only, from any place, any number of times, by any thread.

Every ``blocks`` call opens its own handle. Integer samples come out as ``k / 2**(bits - 1)`` exactly; float
files come out as they are, NaN included. ``problems`` are findings about the file itself.
"""

from __future__ import annotations

import dataclasses
import os
import tempfile
import threading
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from sidekeep.errors import AudioFileError, ParameterError
from sidekeep.files.checksum import Tap
from sidekeep.files.names import library_name
from sidekeep.files.reading.decode import Decoder, to_float
from sidekeep.files.reading.problems import cut_short, damaged
from sidekeep.files.samples import unpack_samples
from sidekeep.files.wave.chunks import RiffLayout
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Finding
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


MAX_SAMPLE = 1e9
"""180 dB over full scale: a float past it is no level but a broken number."""


def real_samples(block: Audio) -> Audio:
    """The block, with NaN for floats far beyond any real level: their squares would be infinite."""
    beyond = np.abs(block) > MAX_SAMPLE
    return np.where(beyond, np.nan, block) if beyond.any() else block


class FileSource:
    """What all sources share: checked spans, ``read`` by way of ``blocks``."""

    format: AudioFormat
    problems: list[Finding]

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problems = []

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Audio]:
        """Consecutive blocks (n, channels) of a span; only the last may be shorter."""
        length = self.format.length_frames
        stop = length if stop_frame is None else stop_frame
        if block_frames < 1:
            raise ParameterError("block-frames", block_frames=block_frames)
        if not 0 <= start_frame <= stop <= length:
            raise ParameterError(
                "span-outside",
                start_frame=start_frame,
                stop_frame=stop,
                length_frames=length,
                name=self.path.name,
            )
        blocks = self._blocks(block_frames, start_frame, stop)
        return map(real_samples, blocks) if self.format.is_float else blocks

    def read(self, start_frame: int, stop_frame: int) -> Audio:
        """The frames of a span, (stop - start, channels)."""
        span = max(1, stop_frame - start_frame)
        for block in self.blocks(span, start_frame, stop_frame):
            return block
        return np.zeros((0, self.format.channels))

    def _blocks(self, block_frames: int, start: int, stop: int) -> Iterator[Audio]:
        raise NotImplementedError


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
        layout: RiffLayout | None = None,
        *,
        whole: RiffLayout | None = None,
    ) -> None:
        super().__init__(path)
        self.tap: Tap | None = None
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
            endian="LITTLE",
            samplerate=layout.rate_hz,
            channels=layout.channels,
        )
        weakref.finalize(handle, window.close)
        return handle

    def _blocks(self, block_frames: int, start: int, stop: int) -> Iterator[Audio]:
        if self._whole is not None:
            return self._plain_blocks(self._whole, block_frames, start, stop)
        return self._library_blocks(block_frames, start, stop)

    def _plain_blocks(self, layout: RiffLayout, block_frames: int, start: int, stop: int) -> Iterator[Audio]:
        """Several times as fast as through the library."""
        data = bytearray(1 + min(block_frames, stop - start) * layout.frame_bytes)
        at = start
        try:
            with open(self.path, "rb", buffering=0) as file:
                file.seek(layout.data_offset + start * layout.frame_bytes)
                while at < stop:
                    count = min(block_frames, stop - at)
                    block = room = memoryview(data)[1 : 1 + count * layout.frame_bytes]
                    while len(room):
                        got = file.readinto(room)
                        if not got:
                            raise self._broken(at)
                        room = room[got:]
                    if self.tap is not None:
                        self.tap.saw(layout.data_offset + at * layout.frame_bytes, block)
                    samples = unpack_samples(data, count * layout.channels, self.format.bits)
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
                    yield block
        except (soundfile.SoundFileError, OSError) as error:
            raise self._broken(at) from error

    def _broken(self, frame: int) -> AudioFileError:
        place = clock_text(frame / self.format.rate_hz, 1)
        return AudioFileError("broken-off", path=self.path, place=place, frame=frame)


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


class JoinedSource(FileSource):
    """Several files played one after the other as one take."""

    def __init__(self, parts: list[FileSource]) -> None:
        super().__init__(parts[0].path)
        self.parts = parts
        first = parts[0].format
        self.starts = np.cumsum([0] + [part.format.length_frames for part in parts]).tolist()
        for part in parts[1:]:
            if (part.format.rate_hz, part.format.channels) != (first.rate_hz, first.channels):
                raise AudioFileError(
                    "parts-differ",
                    name=part.path.name,
                    rate_hz=part.format.rate_hz,
                    channels=part.format.channels,
                    first_name=parts[0].path.name,
                    first_rate_hz=first.rate_hz,
                    first_channels=first.channels,
                )
        self.format = AudioFormat(
            rate_hz=first.rate_hz,
            channels=first.channels,
            bits=max(part.format.bits for part in parts),
            is_float=any(part.format.is_float for part in parts),
            length_frames=self.starts[-1],
            container=first.container,
        )
        for start, part in zip(self.starts, parts):
            for problem in part.problems:
                self.problems.append(
                    dataclasses.replace(
                        problem,
                        start_frame=problem.start_frame + start,
                        stop_frame=problem.stop_frame + start,
                    )
                )

    def _blocks(self, block_frames: int, start: int, stop: int) -> Iterator[Audio]:
        pending: list[NDArray[Any]] = []
        held = 0
        for index, part in enumerate(self.parts):
            low = max(start, self.starts[index])
            high = min(stop, self.starts[index + 1])
            at = low
            while at < high:
                # Fill up the block begun in the file before, then go on in whole blocks.
                first = block_frames - held
                end = min(high, at + first) if held else high
                for block in part.blocks(block_frames, at - self.starts[index], end - self.starts[index]):
                    pending.append(block)
                    held += len(block)
                    if held == block_frames:
                        yield pending[0] if len(pending) == 1 else np.concatenate(pending)
                        pending, held = [], 0
                at = end
        if held:
            yield pending[0] if len(pending) == 1 else np.concatenate(pending)
