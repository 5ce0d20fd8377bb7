"""The spectrum of a span as a picture: brightness is level, time runs to the right, pitch upward.

Levels are decibels below a full-scale sine (a sine of amplitude 1 reads 0 dB), from ``FLOOR_DB`` (0) to 0 dB (255).
Each column is one Hann window (von Hann) around its middle, the mean of the channels; a row takes the loudest bin within
its edges. Rows run from low to high, ``even`` in hertz or by ``octaves``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from sidekeep.errors import ParameterError
from sidekeep.service.house.takes import OpenTake, Version

Scale = Literal["even", "octaves"]
SCALES: tuple[Scale, ...] = ("even", "octaves")
FLOOR_DB = -120.0
WIDEST, TALLEST = 4096, 1024
LOWEST_HZ = 20.0
_SHORTEST, _LONGEST = 256, 4096
_PLACES = 300
_CONTIGUOUS = 2_000_000
"""Up to this many frames a span is read in one piece; beyond, only the windows are."""


@dataclass(frozen=True, kw_only=True)
class Spectrum:
    """``levels`` is (width, height) uint8; ``edges_hz`` the height + 1 borders of the rows."""

    start_frame: int
    stop_frame: int
    levels: NDArray[np.uint8]
    edges_hz: NDArray[np.float64]


def spectrum(
    take: OpenTake,
    start_frame: int,
    stop_frame: int,
    width: int,
    height: int,
    *,
    version: Version = "played",
    scale: Scale = "octaves",
) -> Spectrum:
    """The picture of a span, cut to the take."""
    if not 1 <= width <= WIDEST or not 1 <= height <= TALLEST:
        raise ParameterError(
            f"width={width}, height={height} must lie between 1 and {WIDEST}, 1 and {TALLEST}"
        )
    if scale not in SCALES:
        raise ParameterError(f"scale={scale!r} must be even or octaves")
    start, stop = take.span(start_frame, stop_frame)
    width = min(width, stop - start)
    hop = (stop - start) / width
    size = window_frames(hop, take.rate_hz)
    # Of a long span the disk gives only so many places in good time: neighbouring columns then share one.
    places = min(width, _PLACES) if stop - start > _CONTIGUOUS else width
    middles = start + np.floor((np.arange(places) + 0.5) * ((stop - start) / places)).astype(np.int64)
    windows = _windows(take, middles - size // 2, size, version)
    bins = scipy.fft.rfft(windows * _hann(size), axis=1)
    powers = bins.real**2 + bins.imag**2
    edges_hz = row_edges_hz(height, take.rate_hz, scale)
    rows = _rows(powers, edges_hz * (size / take.rate_hz))
    with np.errstate(divide="ignore"):
        levels_db = 10.0 * np.log10(rows)
    steps = np.clip(255.0 * (1.0 - levels_db / FLOOR_DB), 0.0, 255.0)
    levels = np.round(steps).astype(np.uint8)[np.arange(width) * places // width]
    return Spectrum(start_frame=start, stop_frame=stop, levels=levels, edges_hz=edges_hz)


def window_frames(hop_frames: float, rate_hz: int) -> int:
    """A power of two about twice the hop: short for single clicks, at most ``_LONGEST`` for pitch."""
    longest = _LONGEST if rate_hz > 50_000 else _LONGEST // 2
    size = _SHORTEST
    while size < longest and size < 2.0 * hop_frames:
        size *= 2
    return size


def row_edges_hz(height: int, rate_hz: int, scale: Scale) -> NDArray[np.float64]:
    """Borders of the rows from low to high."""
    if scale == "even":
        return np.linspace(0.0, rate_hz / 2, height + 1)
    return np.geomspace(LOWEST_HZ, rate_hz / 2, height + 1)


@lru_cache(maxsize=8)
def _hann(size: int) -> NDArray[np.float32]:
    """Scaled so that a full-scale sine reads 0 dB."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
    return (2.0 * window / window.sum()).astype(np.float32)


def _windows(take: OpenTake, starts: NDArray[np.int64], size: int, version: Version) -> NDArray[np.float32]:
    """(len(starts), size) of the mean of the channels; silence beyond the ends of the take."""
    length = take.source.format.length_frames
    low, high = int(starts[0]), int(starts[-1]) + size
    if high - low <= _CONTIGUOUS:
        first, last = max(0, low), min(length, high)
        sound = np.zeros(high - low, np.float32)
        sound[first - low : last - low] = take.read(first, last, version).mean(axis=1)
        return sound[(starts - low)[:, None] + np.arange(size)]
    windows = np.zeros((len(starts), size), np.float32)
    for row, at in zip(windows, starts.tolist(), strict=True):
        first, last = max(0, at), min(length, at + size)
        row[first - at : last - at] = take.read(first, last, version).mean(axis=1)
    return windows


def _rows(powers: NDArray[np.float32], edges: NDArray[np.float64]) -> NDArray[np.float32]:
    """The loudest bin between two edges (in bins); a row narrower than a bin takes the nearest one."""
    count = powers.shape[1]
    first = np.clip(np.round(edges[:-1]).astype(np.int64), 0, count - 1)
    last = np.clip(np.round(edges[1:]).astype(np.int64), 1, count)
    last = np.maximum(last, first + 1)
    bounds = np.minimum(np.stack((first, last), axis=1).ravel(), count - 1)
    rows = np.maximum.reduceat(powers, bounds, axis=1)[:, ::2]
    closing = last == count
    rows[:, closing] = np.maximum(rows[:, closing], powers[:, -1:])
    return rows
