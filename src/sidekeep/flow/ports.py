"""What the flow needs from outside, as Protocols. ``files`` and ``devices`` stand behind them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.progress import Progress, no_progress
from sidekeep.model.audio import AudioFormat

__all__ = ["BLOCK_FRAMES", "Audio", "AudioSink", "AudioSource", "MendedBlocks", "Progress", "no_progress"]

BLOCK_FRAMES = 65_536
"""Held at once where a whole take or file is gone through: over a second, half a megabyte a channel. No sample depends on it."""
Audio = NDArray[np.float64]
"""Shape (frames, channels), float64, full scale +-1.0, always 2-D."""
MendedBlocks = Iterator[tuple[int, list[Audio], Audio]]
"""(frames done, original in parts, mended)."""


class AudioSource(Protocol):
    """A take or file to read, from any place, any number of times."""

    @property
    def format(self) -> AudioFormat:
        """Facts of the source; ``length_frames`` is what can really be read."""

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[Audio]:
        """Consecutive blocks; only the last may be shorter."""

    def read(self, start_frame: int, stop_frame: int) -> Audio:
        """The frames of a span."""


class AudioSink(Protocol):
    """A file being written: whole under its final name, or not there at all."""

    def write(self, block: Audio) -> None:
        """Append frames."""

    def write_int(self, block: NDArray[np.int32]) -> None:
        """Append frames that are already steps of the file's word length (right-aligned)."""

    def close(self) -> None:
        """Finish, flush to disk, give the file its name."""

    def abandon(self) -> None:
        """Leave nothing behind."""
