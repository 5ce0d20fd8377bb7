"""What mending changed, kept beside the take: the take itself is never touched.

A patch file is a short header and one record per surveyed block, in time order::

    b"SKPATCH1"  uint32 length, JSON facts (known before the take has an end)
    int64 start_frame, int32 frames, int32 runs, int32 samples
        int32 run starts (within the block), int32 run lengths, int8 run channels, float32 samples

All little-endian. Reading back is by block, so memory does not grow with the length of the take.
float32 holds 24 bits of fraction: the rounding stays under -140 dBFS.
"""

from __future__ import annotations

import bisect
import json
import struct
from collections.abc import Mapping
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ShelfError
from sidekeep.flow.ports import Audio

MAGIC = b"SKPATCH1"
_RECORD = struct.Struct("<qiii")


def changed_runs(changed: NDArray[np.bool_]) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int8]]:
    """Runs of True per channel of a (frames, channels) mask: starts, lengths, channels."""
    starts, lengths, channels = [], [], []
    for channel in range(changed.shape[1]):
        edges = np.flatnonzero(np.diff(changed[:, channel], prepend=False, append=False))
        starts.append(edges[::2])
        lengths.append(edges[1::2] - edges[::2])
        channels.append(np.full(len(edges) // 2, channel))
    return (
        np.concatenate(starts).astype("<i4"),
        np.concatenate(lengths).astype("<i4"),
        np.concatenate(channels).astype("<i1"),
    )


class PatchWriter:
    """Collects differences between take and mended blocks into an open binary file."""

    def __init__(self, file: BinaryIO, facts: Mapping[str, Any]) -> None:
        self._file = file
        self.changed_samples = 0
        text = json.dumps(dict(facts), sort_keys=True).encode()
        file.write(MAGIC + struct.pack("<I", len(text)) + text)

    def add(self, start_frame: int, original: Audio, mended: Audio) -> None:
        """Keep what differs in one block; blocks come in time order and do not overlap."""
        changed = original != mended
        if not changed.any():
            return
        starts, lengths, channels = changed_runs(changed)
        samples = mended.T[changed.T].astype("<f4")
        self.changed_samples += len(samples)
        self._file.write(_RECORD.pack(start_frame, len(original), len(starts), len(samples)))
        for part in (starts, lengths, channels, samples):
            self._file.write(part.tobytes())


class PatchReader:
    """Applies a patch file to any span of its take."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        if file.read(len(MAGIC)) != MAGIC:
            raise ShelfError("this is not a patch file of sidekeep; mend the take again to make a new one")
        (length,) = struct.unpack("<I", file.read(4))
        self.facts: dict[str, Any] = json.loads(file.read(length))
        self._starts: list[int] = []
        self._records: list[tuple[int, int, int, int]] = []  # offset, frames, runs, samples
        while len(head := file.read(_RECORD.size)) == _RECORD.size:
            start, frames, runs, samples = _RECORD.unpack(head)
            self._starts.append(start)
            self._records.append((file.tell(), frames, runs, samples))
            file.seek(9 * runs + 4 * samples, 1)
        self._held: (
            tuple[int, NDArray[np.int32], NDArray[np.int32], NDArray[np.int8], NDArray[np.float32]] | None
        ) = None

    def apply(self, start_frame: int, block: Audio) -> Audio:
        """The block with its patches in place; the same object when nothing changes."""
        stop_frame = start_frame + len(block)
        index = max(0, bisect.bisect_right(self._starts, start_frame) - 1)
        patched = block
        while index < len(self._starts) and self._starts[index] < stop_frame:
            if self._starts[index] + self._records[index][1] > start_frame:
                if patched is block:
                    patched = block.copy()
                self._apply_record(index, start_frame, patched)
            index += 1
        return patched

    def _apply_record(self, index: int, start_frame: int, block: Audio) -> None:
        starts, lengths, channels, samples = self._load(index)
        offset = self._starts[index] - start_frame
        at = 0
        for start, length, channel in zip(starts.tolist(), lengths.tolist(), channels.tolist(), strict=True):
            low, high = start + offset, start + offset + length
            first, last = max(low, 0), min(high, len(block))
            if first < last:
                block[first:last, channel] = samples[at + first - low : at + last - low]
            at += length

    def _load(
        self, index: int
    ) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int8], NDArray[np.float32]]:
        if self._held is None or self._held[0] != index:
            offset, _, runs, samples = self._records[index]
            self._file.seek(offset)
            self._held = (
                index,
                np.frombuffer(self._file.read(4 * runs), "<i4"),
                np.frombuffer(self._file.read(4 * runs), "<i4"),
                np.frombuffer(self._file.read(runs), "<i1"),
                np.frombuffer(self._file.read(4 * samples), "<f4"),
            )
        return self._held[1:]
