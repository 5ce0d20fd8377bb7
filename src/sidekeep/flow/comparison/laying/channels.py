"""Takes whose channels are not as they should be: one inverted, one silent, both alike. Each is an ``AudioSource``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from sidekeep.flow.ports import Audio, AudioSource


def invert(audio: Audio, channel: int | None) -> Audio:
    """The audio with one channel's polarity inverted; untouched for None."""
    if channel is None:
        return audio
    return audio * np.where(np.arange(audio.shape[1]) == channel, -1.0, 1.0)


class OneInverted:
    """A stereo take with one channel inverted."""

    def __init__(self, source: AudioSource, channel: int) -> None:
        self._source, self._channel = source, channel
        self.format = source.format

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Audio]:
        """As those of the take."""
        for block in self._source.blocks(block_frames, start_frame, stop_frame):
            yield invert(block, self._channel)

    def read(self, start_frame: int, stop_frame: int) -> Audio:
        """A span of the take."""
        return invert(self._source.read(start_frame, stop_frame), self._channel)


class OneChannel:
    """One channel of a take, as a mono take; of a mono take itself."""

    def __init__(self, source: AudioSource, channel: int) -> None:
        self._source, self._channel = source, min(channel, source.format.channels - 1)
        self.format = replace(source.format, channels=1)

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Audio]:
        """As those of the take."""
        for block in self._source.blocks(block_frames, start_frame, stop_frame):
            yield block[:, self._channel : self._channel + 1]

    def read(self, start_frame: int, stop_frame: int) -> Audio:
        """A span of the take."""
        return self._source.read(start_frame, stop_frame)[:, self._channel : self._channel + 1]


class Mixed:
    """The mean of the channels of a take, as a mono take."""

    def __init__(self, source: AudioSource) -> None:
        self._source = source
        self.format = replace(source.format, channels=1)

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Audio]:
        """As those of the take."""
        for block in self._source.blocks(block_frames, start_frame, stop_frame):
            yield block.mean(axis=1, keepdims=True)

    def read(self, start_frame: int, stop_frame: int) -> Audio:
        """A span of the take."""
        return self._source.read(start_frame, stop_frame).mean(axis=1, keepdims=True)
