"""Forward decoding of anything the general decoder library (PyAV, FFmpeg's libraries) knows.

``decode`` yields interleaved arrays (frames, channels) in the decoder's own sample type, with the codec's
delay and padding already taken off, so that lossless codecs come out as they went in. Packets that cannot
be decoded are left out and counted.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import AudioFileError

if TYPE_CHECKING:
    from av.audio.frame import AudioFrame
    from av.audio.stream import AudioStream
    from av.packet import Packet

_DTYPES = {"u8": np.uint8, "s16": np.int16, "s32": np.int32, "flt": np.float32, "dbl": np.float64}
_MOST_PADDING_BLOCKS = 4
_CONTAINER_UNITS_PER_S = 1_000_000
"""The decoder library counts the length of a whole file in microseconds."""


@dataclass(frozen=True, kw_only=True)
class Coding:
    """Facts of the audio stream; ``dtype`` is what ``decode`` yields."""

    codec: str
    container: str
    rate_hz: int
    channels: int
    dtype: np.dtype[Any]


class Decoder:
    """One pass over the first audio stream of a file.

    ``damaged_packets`` counts what could not be decoded so far.
    """

    def __init__(self, path: Path, *, takes_off_padding: bool = True) -> None:
        """Without ``takes_off_padding`` all is given that a plain decoder gives: for reading copies back."""
        import av

        self._takes_off_padding = takes_off_padding
        self._path = path
        self.damaged_packets = 0
        try:
            self._container = av.open(str(path), metadata_errors="ignore")
        except (av.error.FFmpegError, ValueError, OSError) as error:
            raise AudioFileError("not-audio", path=path, error=_reason(error)) from error
        try:
            streams = self._container.streams.audio
            if not streams:
                raise AudioFileError("no-audio-in-file", path=path)
            self._stream: AudioStream = streams[0]
            self.coding = self._describe()
        except BaseException:
            self._container.close()
            raise

    def _describe(self) -> Coding:
        context = self._stream.codec_context
        if context is None:
            raise AudioFileError("stream-form", path=self._path)
        context.thread_type = "AUTO"
        name = context.format.name.removesuffix("p") if context.format is not None else ""
        if name not in _DTYPES or not context.sample_rate or not context.channels:
            raise AudioFileError("stream-form-named", path=self._path, name=context.name)
        dtype = np.dtype(_DTYPES[name])
        return Coding(
            codec=context.name.removesuffix("float"),
            container=self._container.format.name.split(",")[0],
            rate_hz=context.sample_rate,
            channels=context.channels,
            dtype=dtype,
        )

    @property
    def promised_frames(self) -> int | None:
        """Length by the file's own words; None when it has none."""
        # Matroska tells it for all streams together; elsewhere such a figure may be a guess from the bit rate.
        is_told = "matroska" in self._container.format.name and len(self._container.streams) == 1
        if is_told and self._container.duration and not self._stream.duration:
            return round(self._container.duration * self.coding.rate_hz / _CONTAINER_UNITS_PER_S)
        return self._stream_frames()

    def _stream_frames(self) -> int | None:
        """Length of the stream by itself (an m4a file's edit list)."""
        stream = self._stream
        if not stream.duration or not stream.time_base:
            return None
        return round(stream.duration * stream.time_base * self.coding.rate_hz)

    def frames(self) -> Iterator[NDArray[Any]]:
        """Arrays (n, channels) from the start to the end; closes the file when done."""
        try:
            if self.coding.codec == "aac" and self._takes_off_padding:
                yield from self._without_padding(self._decoded())
            else:
                yield from self._decoded()
        finally:
            self._container.close()

    def _decoded(self) -> Iterator[NDArray[Any]]:
        for packet in self._packets():
            for frame in self._decode(packet):
                samples: NDArray[Any] = frame.to_ndarray()
                if frame.format.is_planar:
                    samples = np.ascontiguousarray(samples.T)
                else:
                    samples = samples.reshape(-1, self.coding.channels)
                in_m4a = self.coding.codec == "aac" and self._container.format.name.startswith("mov")
                if in_m4a and self._takes_off_padding:
                    # The time table of the file may say that the last packet is not all sound.
                    yield samples[: self._packet_frames(packet) or None]
                else:
                    yield samples

    def _packets(self) -> Iterator[Packet]:
        import av

        try:
            yield from self._container.demux(self._stream)
        except av.error.EOFError:
            return
        except av.error.FFmpegError:
            # The container itself ends in rubbish: what came before is kept, also what the decoder still holds back.
            self.damaged_packets += 1
            last = av.Packet()
            last.stream = self._stream
            yield last

    def _decode(self, packet: Packet) -> list[AudioFrame]:
        import av

        try:
            decoded = cast("list[AudioFrame]", packet.decode())
        except av.error.EOFError:
            return []
        except av.error.FFmpegError:
            self.damaged_packets += 1
            return []
        for frame in decoded:
            if (frame.sample_rate, frame.layout.nb_channels) != (self.coding.rate_hz, self.coding.channels):
                raise AudioFileError("form-changes", path=self._path)
        return decoded

    def _packet_frames(self, packet: Packet) -> int:
        """Frames of sound in a packet by the file's time table; 0 when it does not say."""
        if not packet.duration or not packet.time_base:
            return 0
        return round(packet.duration * packet.time_base * self.coding.rate_hz)

    def _without_padding(self, blocks: Iterator[NDArray[Any]]) -> Iterator[NDArray[Any]]:
        """Cut the encoder's padding off the end when the edit list tells where the sound stops.

        Edit lists may be rounded to milliseconds, so that less than one too many is left alone.
        """
        promised, total = self._stream_frames() or 0, 0
        kept: deque[NDArray[Any]] = deque()
        for block in blocks:
            total += len(block)
            kept.append(block)
            if len(kept) > _MOST_PADDING_BLOCKS:
                yield kept.popleft()
        too_many = total - promised if promised else 0
        if not self.coding.rate_hz // 1000 < too_many <= sum(map(len, kept)):
            too_many = 0
        rest = np.concatenate([*kept]) if kept else None
        if rest is not None:
            yield rest[: len(rest) - too_many]

    def close(self) -> None:
        """Let the file go without decoding it."""
        self._container.close()


def _reason(error: Exception) -> str:
    """The library's own few words."""
    return (getattr(error, "strerror", "") or str(error) or type(error).__name__).lower()


def to_float(samples: NDArray[Any]) -> NDArray[np.float64]:
    """Decoder samples as float64 with full scale +-1."""
    if samples.dtype.kind == "f":
        return samples.astype(np.float64)
    if samples.dtype == np.uint8:
        return (samples.astype(np.float64) - 128.0) / 128.0
    return samples.astype(np.float64) * (1.0 / (1 << (8 * samples.dtype.itemsize - 1)))
