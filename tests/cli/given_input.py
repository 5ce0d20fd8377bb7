"""An input that gives what a test wants heard, in blocks of a twentieth of a second."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sidekeep.devices.recorder import RecorderEvent


class GivenInput:
    """In the place of a ``Recorder``; each kind of it says what ``audio`` is."""

    rate_hz: int

    def __init__(self, settings: object) -> None: ...

    def __enter__(self) -> GivenInput:
        return self

    def __exit__(self, *_: object) -> None: ...

    def audio(self) -> NDArray[np.float64]:
        """What is heard, whole blocks."""
        raise NotImplementedError

    def events(self) -> Iterator[RecorderEvent]:
        audio, block = self.audio(), self.rate_hz // 20
        for frame in range(0, len(audio), block):
            yield RecorderEvent(kind="audio", frame=frame, block=audio[frame : frame + block])
