"""Blocks of any size cut on a fixed grid of windows, and rows that grow.

Meters that look at windows of a fixed length work on this grid only, so that any way of cutting the
stream into blocks gives the same numbers to the last bit. Arrays are (frames, channels), float64.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ParameterError

WINDOWS_PER_S = 10
"""Meters keep one row of numbers per 100 ms."""


def window_frames(rate_hz: int) -> int:
    """Frames of the 100 ms grid (BS.1770's hop); exact at all rates in use, nearest at odd ones."""
    if rate_hz < 1000:
        raise ParameterError("grid-rate", rate_hz=rate_hz)
    return (rate_hz + WINDOWS_PER_S // 2) // WINDOWS_PER_S


def check_block(block: NDArray[np.float64], channels: int) -> None:
    """A block must be 2-D with the channels it was announced with."""
    if block.ndim != 2 or block.shape[1] != channels:
        raise ParameterError("grid-block", shape=block.shape, channels=channels)


class Windows:
    """Cuts a stream into windows of ``length`` frames with ``before`` and ``after`` frames of context.

    Yields ``(frames, count)``: an array (before + length + after, channels) and how many of the window's
    frames are real. Before the start and past the end there is silence. Each column of ``frames`` lies in one
    piece in memory, which is what the kernels want; it is good until the next window is asked for.
    """

    def __init__(self, length: int, channels: int, *, before: int = 0, after: int = 0) -> None:
        self.length = length
        self.channels = channels
        self.before = before
        self.after = after
        self._lines = np.zeros((channels, before + length + after))
        self._start, self._stop = 0, before

    def push(self, block: NDArray[np.float64]) -> Iterator[tuple[NDArray[np.float64], int]]:
        """Windows that became complete with this block."""
        check_block(block, self.channels)
        self._make_room(len(block))
        self._lines[:, self._stop : self._stop + len(block)] = block.T
        self._stop += len(block)
        need = self.before + self.length + self.after
        while self._stop - self._start >= need:
            start = self._start
            self._start += self.length
            yield self._lines[:, start : start + need].T, self.length

    def rest(self) -> Iterator[tuple[NDArray[np.float64], int]]:
        """The windows still held; the last may be short, its count says by how much."""
        real = self._stop - self._start - self.before
        windows = -(-real // self.length)
        lines = np.zeros((self.channels, self.before + windows * self.length + self.after))
        lines[:, : self._stop - self._start] = self._lines[:, self._start : self._stop]
        self._lines[:, : self.before] = 0.0
        self._start, self._stop = 0, self.before
        for index in range(windows):
            start = index * self.length
            stop = start + self.before + self.length + self.after
            yield lines[:, start:stop].T, min(self.length, real - start)

    def _make_room(self, count: int) -> None:
        """Bring what is held to the front, into a longer buffer when it is needed."""
        held = self._lines[:, self._start : self._stop]
        if self._stop + count <= self._lines.shape[1]:
            return
        if held.shape[1] + count > self._lines.shape[1]:
            self._lines = np.zeros((self.channels, held.shape[1] + count + self.length))
        self._start, self._stop = 0, held.shape[1]
        self._lines[:, : self._stop] = held


class WindowMeter:
    """A meter that sees one window of the 100 ms grid at a time.

    ``process`` takes blocks of any length, ``finish`` closes the last window; a joint meter that already
    has the grid calls ``window`` itself.
    """

    before = 0
    after = 0

    def __init__(self, rate_hz: int, channels: int) -> None:
        if channels < 1:
            raise ParameterError("grid-channels", channels=channels)
        self.rate_hz = rate_hz
        self.channels = channels
        self.window_frames = window_frames(rate_hz)
        self._windows = Windows(self.window_frames, channels, before=self.before, after=self.after)

    def process(self, block: NDArray[np.float64]) -> None:
        """Take the next frames, shape (n, channels), finite."""
        for frames, count in self._windows.push(block):
            self.window(frames, count)

    def finish(self) -> None:
        """Count the last, incomplete window."""
        for frames, count in self._windows.rest():
            self.window(frames, count)

    def window(self, frames: NDArray[np.float64], count: int) -> None:
        """One window: (before + window_frames + after, channels), of which ``count`` frames are real."""
        raise NotImplementedError


class Rows:
    """A growing table, one row of float64 per window."""

    def __init__(self, columns: int) -> None:
        self._table = np.zeros((256, columns))
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def add(self) -> NDArray[np.float64]:
        """A new row of zeros to fill in."""
        if self._count == len(self._table):
            self._table = np.concatenate((self._table, np.zeros_like(self._table)))
        self._count += 1
        return self._table[self._count - 1]

    @property
    def values(self) -> NDArray[np.float64]:
        """All rows so far, shape (windows, columns)."""
        return self._table[: self._count]
