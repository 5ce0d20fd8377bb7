"""Another sample rate, by the SoX resampler library at its very high quality, block by block.

Audio is (frames, channels), float64. The output is aligned with the input (the filter is linear phase and its
delay is taken out) and has exactly ``resampled_frames`` frames, the nearest to the same duration.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import check_block
from sidekeep.errors import ParameterError

_FEED_FRAMES = 4096
"""The library is fed in pieces of this size only, so that the caller's blocks cannot change a bit."""


def resampled_frames(length_frames: int, rate_hz: int, new_rate_hz: int) -> int:
    """Frames of the same duration at the new rate, nearest; ties go up."""
    return (2 * length_frames * new_rate_hz + rate_hz) // (2 * rate_hz)


class Resampler:
    """A running change of rate. Equal rates pass the samples through untouched."""

    def __init__(self, rate_hz: int, new_rate_hz: int, channels: int) -> None:
        for name, value in (("rate_hz", rate_hz), ("new_rate_hz", new_rate_hz)):
            if not 1000 <= value <= 1_000_000:
                raise ParameterError("resample-rate", name=name, value=value)
        self.rate_hz = rate_hz
        self.new_rate_hz = new_rate_hz
        self.channels = channels
        self.latency_frames = 0
        self._taken = 0
        self._given = 0
        self._held: list[NDArray[np.float64]] = []
        self._held_frames = 0
        self._stream = None
        if rate_hz != new_rate_hz:
            import soxr

            self._stream = soxr.ResampleStream(
                rate_hz, new_rate_hz, channels, dtype="float64", quality=soxr.VHQ
            )

    def process(self, block: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n, channels) in, what has become ready out."""
        check_block(block, self.channels)
        self._taken += len(block)
        if self._stream is None:
            self._given += len(block)
            return block
        self._held.append(block)
        self._held_frames += len(block)
        if self._held_frames < _FEED_FRAMES:
            return np.empty((0, self.channels))
        frames = np.concatenate(self._held)
        whole = len(frames) // _FEED_FRAMES * _FEED_FRAMES
        ready = [
            self._stream.resample_chunk(np.ascontiguousarray(frames[start : start + _FEED_FRAMES]))
            for start in range(0, whole, _FEED_FRAMES)
        ]
        self._held = [frames[whole:].copy()]
        self._held_frames = len(frames) - whole
        return self._give(np.concatenate(ready))

    def flush(self) -> NDArray[np.float64]:
        """The rest, to the exact length."""
        if self._stream is None:
            return np.empty((0, self.channels))
        held = np.concatenate(self._held) if self._held else np.empty((0, self.channels))
        self._held, self._held_frames = [], 0
        last = self._stream.resample_chunk(np.ascontiguousarray(held, np.float64), last=True)
        missing = resampled_frames(self._taken, self.rate_hz, self.new_rate_hz) - self._given
        if len(last) < missing:
            last = np.concatenate((last, np.zeros((missing - len(last), self.channels))))
        return self._give(last[:missing])

    def _give(self, frames: NDArray[np.float64]) -> NDArray[np.float64]:
        # The library may run a frame ahead of the exact length; only the last call can know.
        room = max(0, resampled_frames(self._taken, self.rate_hz, self.new_rate_hz) - self._given)
        frames = frames[:room]
        self._given += len(frames)
        return frames


def resample(audio: NDArray[np.float64], *, rate_hz: int, new_rate_hz: int) -> NDArray[np.float64]:
    """A whole (frames, channels) array at another rate."""
    step = Resampler(rate_hz, new_rate_hz, audio.shape[1])
    return np.concatenate((step.process(audio), step.flush()))
