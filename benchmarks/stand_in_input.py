"""Where ``devices.Recorder`` stands, without a sound card: the sound is all there already, time goes as fast as it can be
computed, and takes are written by the real writer. Which events come when is up to who derives from it.

Frames are those of the sound, which is also what the capture would count.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from sidekeep.devices.recorder import RecorderEvent
from sidekeep.files.wave.rf64 import TakeWriter

RING_S = 30.0
"""So much the capture holds of what came before a take begins."""


class StandInInput:
    """``opened_frame`` is where this opening of the input begins: nothing before it can be had."""

    def __init__(self, audio: NDArray[np.float64], rate_hz: int, opened_frame: int = 0) -> None:
        self._audio, self._rate_hz, self._opened = audio, rate_hz, opened_frame
        self._waiting: list[RecorderEvent] = []
        self._writer: TakeWriter | None = None
        self._frame = opened_frame
        self._start = 0
        self.spans: list[tuple[int, int]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def begin(
        self,
        path: Path,
        bext: Mapping[str, Any] | None = None,
        *,
        from_frame: int | None = None,
        places: Sequence[Path] = (),
    ) -> None:
        """As the capture does it, ring and all."""
        oldest = max(self._opened, self._frame - round(RING_S * self._rate_hz))
        self._start = max(oldest, self._frame if from_frame is None else from_frame)
        self._writer = TakeWriter(path, rate_hz=self._rate_hz, channels=2, bits=24)
        self._write(self._audio[self._start : self._frame])
        facts = {"path": str(path), "start_frame": self._start, "frames": self._writer.frames}
        self._waiting.append(RecorderEvent(kind="begun", facts=facts))

    def end(self, why: str = "") -> None:
        """Close the take."""
        if self._writer is None:
            return
        writer, self._writer = self._writer, None
        writer.close()
        self.spans.append((self._start, self._start + writer.frames))
        facts = {"path": str(writer.path_now()), "frames": writer.frames, "why": why}
        self._waiting.append(RecorderEvent(kind="ended", facts=facts))

    def block(self, start: int, stop: int) -> Iterator[RecorderEvent]:
        """The next block, and what came of it."""
        part = self._audio[start:stop]
        if self._writer is not None:
            self._write(part)
        self._frame = start + len(part)
        yield RecorderEvent(kind="audio", frame=start, block=part)
        while self._waiting:
            yield self._waiting.pop(0)

    def silence(self) -> Iterator[RecorderEvent]:
        """After the sound: what waits, then nothing for ever."""
        while True:
            yield self._waiting.pop(0) if self._waiting else RecorderEvent(kind="quiet")

    def _write(self, part: NDArray[np.float64]) -> None:
        assert self._writer is not None
        self._writer.append(np.round(np.clip(part, -1.0, 1.0 - 2.0**-23) * 2**23).astype(np.int32))
