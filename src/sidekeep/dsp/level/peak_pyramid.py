"""Pictures of a long sound: lowest, highest and square sum of every 256 frames, then of 1024, 4096...

Buckets start at frame 0; the last one of a level may be short. Coarser extremes made from finer ones are
exactly those of the samples; square sums agree up to float32 rounding. Arrays are (buckets, channels, 3)
float32: lowest, highest, square sum.

The bytes of a peak store, all little-endian: ``SKPEAKS1``, then uint32 rate_hz, channels, base frames,
factor, levels, 0, then uint64 length_frames, then the levels from fine to coarse as float32.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel
from sidekeep.errors import AudioFileError, ParameterError

BASE_FRAMES = 256
FACTOR = 4
"""256 frames are 5 ms at 48 kHz; the coarser levels together add a third to the store (chosen here)."""
_SMALLEST_LEVEL = 512
"""No coarser level is made once one has this many buckets or fewer."""
_MAGIC = b"SKPEAKS1"
_HEADER = struct.Struct("<8s6IQ")
_MOST_LEVELS = 24
"""A guard against a damaged head: 4**24 buckets are more than any take."""


@kernel
def _fast_buckets(frames, base, out):  # type: ignore[no-untyped-def]
    """Whole buckets only: frames (buckets * base, channels), out (buckets, channels, 3)."""
    for bucket in range(out.shape[0]):
        for channel in range(frames.shape[1]):
            low = frames[bucket * base, channel]
            high = low
            square = 0.0
            for n in range(bucket * base, (bucket + 1) * base):
                value = frames[n, channel]
                low = min(low, value)
                high = max(high, value)
                square += value * value
            out[bucket, channel, 0] = low
            out[bucket, channel, 1] = high
            out[bucket, channel, 2] = square


def base_level(audio: NDArray[np.float64], base_frames: int = BASE_FRAMES) -> NDArray[np.float32]:
    """The finest level of a whole (frames, channels) array."""
    whole = len(audio) // base_frames
    out = np.empty((whole, audio.shape[1], 3), np.float32)
    _fast_buckets(np.ascontiguousarray(audio[: whole * base_frames], np.float64), base_frames, out)
    rest = audio[whole * base_frames :]
    if len(rest) == 0:
        return out
    last = np.stack((rest.min(axis=0), rest.max(axis=0), (rest * rest).sum(axis=0)), axis=-1)
    return np.concatenate((out, last[None].astype(np.float32)))


def coarser_level(level: NDArray[np.float32], factor: int = FACTOR) -> NDArray[np.float32]:
    """The next coarser level: ``factor`` buckets become one, the last may be short."""
    if len(level) == 0:
        return level
    starts = np.arange(0, len(level), factor)
    return np.stack(
        (
            np.minimum.reduceat(level[..., 0], starts, axis=0),
            np.maximum.reduceat(level[..., 1], starts, axis=0),
            np.add.reduceat(level[..., 2], starts, axis=0),
        ),
        axis=-1,
    )


def _levels(finest: NDArray[np.float32], factor: int) -> tuple[NDArray[np.float32], ...]:
    levels = [finest]
    while len(levels[-1]) > _SMALLEST_LEVEL:
        levels.append(coarser_level(levels[-1], factor))
    return tuple(levels)


@dataclass(frozen=True, kw_only=True)
class PeakView:
    """A stretch of one level: bucket ``i`` covers ``bucket_frames`` frames from ``start_frame + i *
    bucket_frames`` (the last of the sound may be shorter)."""

    start_frame: int
    bucket_frames: int
    values: NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class Peaks:
    """All levels, fine to coarse."""

    rate_hz: int
    channels: int
    length_frames: int
    base_frames: int
    factor: int
    levels: tuple[NDArray[np.float32], ...]

    def with_finest(self, finest: NDArray[np.float32]) -> Peaks:
        """Another finest level, and the coarser ones made of it."""
        return replace(self, levels=_levels(finest, self.factor))

    def bucket_frames(self, level: int) -> int:
        """Frames a bucket of a level covers."""
        return self.base_frames * self.factor**level

    def view(self, start_frame: int, stop_frame: int, width: int) -> PeakView:
        """The coarsest level that still has a bucket per pixel, cut to the frames asked for.

        Below one bucket of the finest level per pixel the caller should show samples instead.
        """
        if width < 1 or stop_frame < start_frame:
            raise ParameterError("peaks-width", width=width)
        start = min(max(start_frame, 0), self.length_frames)
        stop = min(max(stop_frame, start), self.length_frames)
        chosen = 0
        for level in range(len(self.levels)):
            if self.bucket_frames(level) * width <= stop - start:
                chosen = level
        frames = self.bucket_frames(chosen)
        first, last = start // frames, -(-stop // frames)
        return PeakView(
            start_frame=first * frames, bucket_frames=frames, values=self.levels[chosen][first:last]
        )

    def write(self, file: BinaryIO) -> None:
        """Append the bytes of the store."""
        file.write(
            _HEADER.pack(
                _MAGIC,
                self.rate_hz,
                self.channels,
                self.base_frames,
                self.factor,
                len(self.levels),
                0,
                self.length_frames,
            )
        )
        for level in self.levels:
            file.write(np.ascontiguousarray(level, "<f4").tobytes())


def read_peaks(data: bytes | memoryview) -> Peaks:
    """Peaks from the bytes of a store (or a memory map of it): nothing is copied.

    Raises ``AudioFileError`` for bytes that are no whole peak store.
    """
    if len(data) < _HEADER.size:
        raise AudioFileError("peaks-too-short", bytes=len(data))
    magic, rate_hz, channels, base, factor, count, _, length = _HEADER.unpack_from(data)
    if magic != _MAGIC or not (channels and base and factor > 1 and count <= _MOST_LEVELS):
        raise AudioFileError("peaks-unknown")
    levels = []
    at = _HEADER.size
    for index in range(count):
        buckets = -(-length // (base * factor**index))
        size = buckets * channels * 3
        if at + 4 * size > len(data):
            raise AudioFileError("peaks-cut-short")
        level = np.frombuffer(data, "<f4", size, at).reshape(buckets, channels, 3)
        levels.append(level)
        at += 4 * size
    return Peaks(
        rate_hz=rate_hz,
        channels=channels,
        length_frames=length,
        base_frames=base,
        factor=factor,
        levels=tuple(levels),
    )


class PeakBuilder:
    """Peaks of a stream, block by block; ``result`` may be asked at any time while it grows."""

    def __init__(
        self, rate_hz: int, channels: int, *, base_frames: int = BASE_FRAMES, factor: int = FACTOR
    ) -> None:
        if base_frames < 1 or factor < 2:
            raise ParameterError("peaks-grid", base_frames=base_frames, factor=factor)
        self.rate_hz = rate_hz
        self.channels = channels
        self.base_frames = base_frames
        self.factor = factor
        self.length_frames = 0
        self._rest = np.empty((0, channels))
        self._table = np.empty((1024, channels, 3), np.float32)
        self._count = 0

    def process(self, block: NDArray[np.float64]) -> NDArray[np.float32]:
        """Take the next frames, shape (n, channels); returns the buckets that became whole."""
        frames = np.concatenate((self._rest, block))
        self.length_frames += len(block)
        whole = len(frames) // self.base_frames * self.base_frames
        self._rest = frames[whole:].copy()
        fresh = base_level(frames[:whole], self.base_frames)
        while self._count + len(fresh) > len(self._table):
            self._table = np.concatenate((self._table, np.empty_like(self._table)))
        self._table[self._count : self._count + len(fresh)] = fresh
        self._count += len(fresh)
        return fresh

    def result(self) -> Peaks:
        """All levels of what has been seen so far."""
        finest = self._table[: self._count]
        if len(self._rest):
            finest = np.concatenate((finest, base_level(self._rest, self.base_frames)))
        else:
            finest = finest.copy()
        return Peaks(
            rate_hz=self.rate_hz,
            channels=self.channels,
            length_frames=self.length_frames,
            base_frames=self.base_frames,
            factor=self.factor,
            levels=_levels(finest, self.factor),
        )
