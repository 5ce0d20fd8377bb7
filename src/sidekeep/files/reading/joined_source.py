"""Several files played one after the other as one take."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import AudioFileError
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat


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

    @property
    def files(self) -> list[FileSource]:
        return self.parts

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
