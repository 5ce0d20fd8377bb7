"""Samples laid down on the disk between the render and the slow encoders.

Raw little-endian float32, interleaved, one file per track and rate. They let tracks be encoded side by side
without holding them in memory, and let a lossy copy be made again a little lower.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sidekeep.files.atomic import part_path
from sidekeep.flow.ports import BLOCK_FRAMES

SAMPLE_BYTES = 4
"""Floats of 32 bits: 24 bits of fraction, as much as any take has."""


class SpillWriter:
    """Appends frames under a temporary name; ``close`` gives the name. ``OSError`` comes out as it is."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.frames = 0
        self._part = part_path(path)
        self._file = open(self._part, "xb")  # noqa: SIM115  (closed by close or drop)

    def write(self, block: NDArray[np.float64]) -> None:
        """Append (n, channels)."""
        self._file.write(np.ascontiguousarray(block, dtype="<f4").data)
        self.frames += len(block)

    def close(self) -> None:
        """Finish; the file is whole from here on."""
        self._file.close()
        self._part.replace(self.path)

    def drop(self) -> None:
        """Leave nothing behind."""
        self._file.close()
        self._part.unlink(missing_ok=True)


def spill_edge(
    spill: tuple[Path, int] | None, channels: int, frames: int, *, at_end: bool
) -> NDArray[np.float64] | None:
    """The last frames of a spill, or the first, at most ``frames`` of them; None without a spill."""
    if spill is None:
        return None
    path, own = spill
    frame_bytes = own * SAMPLE_BYTES
    with open(path, "rb") as handle:
        if at_end:
            handle.seek(max(0, path.stat().st_size - frames * frame_bytes))
        raw = handle.read(frames * frame_bytes)
    block = np.frombuffer(raw, dtype="<f4").reshape(-1, own).astype(np.float64)
    return block if own == channels else np.repeat(block, channels, axis=1)


def read_spills(spills: Sequence[tuple[Path, int]], channels: int) -> Iterator[NDArray[np.float64]]:
    """The frames of several spills (with their own number of channels) as one row of blocks (n, channels): a mono one
    among stereo ones is on both."""
    for path, own in spills:
        with open(path, "rb") as handle:
            while raw := handle.read(BLOCK_FRAMES * own * SAMPLE_BYTES):
                block = np.frombuffer(raw, dtype="<f4").reshape(-1, own).astype(np.float64)
                yield block if own == channels else np.repeat(block, channels, axis=1)
