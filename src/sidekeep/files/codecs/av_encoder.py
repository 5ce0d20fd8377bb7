"""The one place that talks to PyAV's encoders: blocks in, packets into an open file.

Bytes are the same every run: no encoder names with versions, no dates, no random serial numbers.
Codecs run without Python's lock, so that several sinks keep several cores busy.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any, BinaryIO, cast

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from av.audio.stream import AudioStream
    from av.packet import Packet

_FRAME = 16_384
"""Frames handed over at a time: large enough for speed, small enough for the encoder's own queue."""


class AvEncoder:
    """One audio stream in one container, written to an open binary file (which stays the caller's)."""

    def __init__(
        self,
        file: BinaryIO,
        *,
        container: str,
        codec: str,
        sample_format: str,
        rate_hz: int,
        channels: int,
        bit_rate: int | None = None,
        options: Mapping[str, str] | None = None,
        container_options: Mapping[str, str] | None = None,
        first_frame: int = 0,
        kept_frames: tuple[int, int] | None = None,
    ) -> None:
        """``first_frame`` below zero is a run-up: frames before 0 are encoded but not played. Packets that begin outside
        ``kept_frames`` (start, stop) are left out: what is encoded there only shapes those that are kept."""
        import av

        self._frame_class = av.AudioFrame
        self._layout = "mono" if channels == 1 else "stereo"
        self._format = sample_format
        self._planar = sample_format.endswith("p")
        self._rate_hz = rate_hz
        self._position = first_frame
        self._container = av.open(
            file, "w", format=container, options={"fflags": "+bitexact", **(container_options or {})}
        )
        stream = cast("AudioStream", self._container.add_stream(codec, rate=rate_hz, layout=self._layout))
        stream.codec_context.format = av.AudioFormat(sample_format)
        stream.codec_context.options = {"flags": "+bitexact", **(options or {})}
        if bit_rate is not None:
            stream.bit_rate = bit_rate
        self._stream = stream
        self._kept = kept_frames

    def encode(self, samples: NDArray[Any]) -> None:
        """Append (n, channels) in the dtype of the sample format."""
        for at in range(0, len(samples), _FRAME):
            part = samples[at : at + _FRAME]
            array = np.ascontiguousarray(part.T) if self._planar else part.reshape(1, -1)
            frame = self._frame_class.from_ndarray(
                np.ascontiguousarray(array), format=self._format, layout=self._layout
            )
            frame.sample_rate = self._rate_hz
            frame.time_base = Fraction(1, self._rate_hz)
            frame.pts = self._position
            self._position += len(part)
            self._mux(self._stream.encode(frame))

    def finish(self) -> None:
        """Bring out what the encoder still holds and write the container's end."""
        self._mux(self._stream.encode(None))
        self._container.close()

    def _mux(self, packets: list[Packet]) -> None:
        for packet in packets:
            if self._is_kept(packet):
                self._container.mux(packet)

    def _is_kept(self, packet: Packet) -> bool:
        if self._kept is None or packet.pts is None:
            return True
        start, stop = self._kept
        return start <= packet.pts * packet.time_base * self._rate_hz < stop

    def drop(self) -> None:
        """Let go without a proper end."""
        self._container.close()
