"""A take that is held in memory, as the flow asks for one."""

from __future__ import annotations

from collections.abc import Iterator

from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat


class MemoryTake:
    """24-bit sound (frames, channels) as a source."""

    def __init__(self, audio: Audio, rate_hz: int) -> None:
        self.audio = audio
        self.format = AudioFormat(rate_hz=rate_hz, channels=audio.shape[1], bits=24, length_frames=len(audio))

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Audio]:
        stop = len(self.audio) if stop_frame is None else stop_frame
        for at in range(start_frame, stop, block_frames):
            yield self.audio[at : min(stop, at + block_frames)]

    def read(self, start_frame: int, stop_frame: int) -> Audio:
        return self.audio[start_frame:stop_frame]
