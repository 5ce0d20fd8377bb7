"""The spectrum of a span as a picture: brightness is level, time runs to the right, pitch upward.

Levels are decibels below a full-scale sine (a sine of amplitude 1 reads 0 dB), from ``FLOOR_DB`` (0) to 0 dB (255), of the
mean of the channels. Rows run from low to high, ``even`` in hertz or by ``octaves``.

A short span is drawn from the sound: each column is one Hann window (von Hann) around its middle, a row the loudest bin
within its edges. A long one is drawn from the kept bands (``dsp.level.band_pyramid``), which hold all of the sound: each
column is the loudest it covers, a row the loudest band that reaches into it. While those are still being made, a long
span is looked at in ``_PLACES`` places only; ``shows`` says which of the two it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.band_pyramid import FLOOR_DB, hann, hop_frames, level_bytes, one_channel
from sidekeep.errors import ParameterError
from sidekeep.service.house.takes.held_takes import HeldTake, Version

Scale = Literal["even", "octaves"]
SCALES: tuple[Scale, ...] = ("even", "octaves")
WIDEST, TALLEST = 4096, 1024
LOWEST_HZ = 20.0
_SHORTEST, _LONGEST = 256, 4096
_PLACES = 200
_FINER = 4
"""So many columns may show one of the kept ones: a span that needs finer ones is short enough to be read whole."""


@dataclass(frozen=True, kw_only=True)
class Spectrum:
    """``levels`` is (width, height) uint8; ``edges_hz`` the height + 1 borders of the rows."""

    start_frame: int
    stop_frame: int
    levels: NDArray[np.uint8]
    edges_hz: NDArray[np.float64]
    shows: Literal["all", "places"] = "all"
    floor_db: float = FLOOR_DB


def spectrum(
    take: HeldTake,
    start_frame: int,
    stop_frame: int,
    width: int,
    height: int,
    *,
    version: Version = "played",
    scale: Scale = "octaves",
) -> Spectrum:
    """The picture of a span, cut to the take."""
    from scipy.fft import rfft

    if not 1 <= width <= WIDEST or not 1 <= height <= TALLEST:
        raise ParameterError("spectrum-size", width=width, height=height, widest=WIDEST, tallest=TALLEST)
    if scale not in SCALES:
        raise ParameterError("spectrum-scale", scale=scale)
    start, stop = take.span(start_frame, stop_frame)
    width = min(width, stop - start)
    hop = (stop - start) / width
    size = window_frames(hop, take.rate_hz)
    edges_hz = row_edges_hz(height, take.rate_hz, scale)
    is_long = hop * _FINER >= hop_frames(take.rate_hz)
    if is_long and (bands := take.bands(version)) is not None:
        levels = _band_rows(bands.columns(start, stop, width), bands.edges_hz, edges_hz)
        return Spectrum(start_frame=start, stop_frame=stop, levels=levels, edges_hz=edges_hz)
    places = min(width, _PLACES) if is_long else width
    middles = start + np.floor((np.arange(places) + 0.5) * ((stop - start) / places)).astype(np.int64)
    windows = _windows(take, middles - size // 2, size, version, is_apart=is_long)
    bins = rfft(windows * hann(size), axis=1)
    powers = bins.real**2 + bins.imag**2
    levels = _loudest(level_bytes(powers), *_bins_of(edges_hz * (size / take.rate_hz), size // 2 + 1))
    return Spectrum(
        start_frame=start,
        stop_frame=stop,
        levels=levels[np.arange(width) * places // width],
        edges_hz=edges_hz,
        shows="places" if is_long else "all",
    )


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


def _band_rows(
    columns: NDArray[np.uint8], bands_hz: NDArray[np.float64], edges_hz: NDArray[np.float64]
) -> NDArray[np.uint8]:
    """Rows from bands: the loudest that reaches into the row."""
    count = columns.shape[1]
    first = np.clip(np.searchsorted(bands_hz, edges_hz[:-1], "right") - 1, 0, count - 1)
    last = np.clip(np.searchsorted(bands_hz, edges_hz[1:], "left"), first + 1, count)
    return _loudest(columns, first, last)


def _bins_of(edges: NDArray[np.float64], count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First bin and last + 1 of every row (``edges`` in bins); a row narrower than a bin takes the nearest one."""
    first = np.clip(np.round(edges[:-1]).astype(np.int64), 0, count - 1)
    last = np.clip(np.round(edges[1:]).astype(np.int64), 1, count)
    return first, np.maximum(last, first + 1)


def _loudest(
    levels: NDArray[np.uint8], first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.uint8]:
    """(columns, len(first)): the loudest of columns ``first`` to ``last`` of each line."""
    rows = levels[:, first]
    for step in range(1, int((last - first).max())):
        wide = np.flatnonzero(last - first > step)
        rows[:, wide] = np.maximum(rows[:, wide], levels[:, first[wide] + step])
    return rows


def _windows(
    take: HeldTake, starts: NDArray[np.int64], size: int, version: Version, *, is_apart: bool
) -> NDArray[np.float32]:
    """(len(starts), size) of the mean of the channels; silence beyond the ends of the take."""
    length = take.source.format.length_frames
    low, high = int(starts[0]), int(starts[-1]) + size
    if not is_apart:
        first, last = max(0, low), min(length, high)
        sound = np.zeros(high - low, np.float32)
        sound[first - low : last - low] = one_channel(take.read(first, last, version))
        return np.lib.stride_tricks.sliding_window_view(sound, size)[starts - low]
    windows = np.zeros((len(starts), size), np.float32)
    for row, at in zip(windows, starts.tolist(), strict=True):
        first, last = max(0, at), min(length, at + size)
        row[first - at : last - at] = one_channel(take.read(first, last, version))
    return windows
