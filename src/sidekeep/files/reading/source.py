"""What every source is: a recording read only, from any place, any number of times, by any thread.

Integer samples come out as ``k / 2**(bits - 1)`` exactly; float files come out as they are, NaN included. ``problems`` are
findings about the file itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from sidekeep.errors import ParameterError
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Finding

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

    @property
    def files(self) -> Sequence[FileSource]:
        """The files that it is read from, in order."""
        return [self]

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
