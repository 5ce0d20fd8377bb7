"""The picture of a span: lowest and highest sample of every column, for any width and any zoom.

Zoomed out, columns are made of the kept peaks; below one bucket a column, of the samples themselves. Every column
covers the frames from ``start + i * span / width`` to the next one's first (at least one frame), so neighbours never
overlap by more than the rounding of a bucket.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.peak_pyramid import BASE_FRAMES
from sidekeep.errors import ParameterError
from sidekeep.service.house.takes.held_takes import HeldTake, Version

WIDEST = 8192


@dataclass(frozen=True, kw_only=True)
class Waveform:
    """``columns`` is (width, channels, 2) float32: lowest and highest. ``frames_per_column`` is the exact ratio;
    with 1 or less every column is one sample."""

    start_frame: int
    stop_frame: int
    columns: NDArray[np.float32]

    @property
    def frames_per_column(self) -> float:
        """How many frames a column stands for."""
        return (self.stop_frame - self.start_frame) / len(self.columns)


def waveform(
    take: HeldTake, start_frame: int, stop_frame: int, width: int, version: Version = "played"
) -> Waveform:
    """The picture of a span, cut to the take; never wider than the span has frames."""
    if not 1 <= width <= WIDEST:
        raise ParameterError("waveform-width", width=width, widest=WIDEST)
    start, stop = take.span(start_frame, stop_frame)
    width = min(width, stop - start)
    edges = start + (np.arange(width + 1, dtype=np.int64) * (stop - start)) // width
    if stop - start >= 2 * width * BASE_FRAMES:
        view = take.peaks(version).view(start, stop, 2 * width)
        first = (edges[:-1] - view.start_frame) // view.bucket_frames
        last = np.maximum(-((view.start_frame - edges[1:]) // view.bucket_frames), first + 1)
        return Waveform(start_frame=start, stop_frame=stop, columns=_extremes(view.values, first, last))
    audio = take.read(start, stop, version)
    firsts = edges[:-1] - start
    low, high = np.minimum.reduceat(audio, firsts, axis=0), np.maximum.reduceat(audio, firsts, axis=0)
    return Waveform(
        start_frame=start, stop_frame=stop, columns=np.stack((low, high), axis=-1).astype(np.float32)
    )


def _extremes(
    pairs: NDArray[np.float32], first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.float32]:
    """Extremes of rows ``first[i]`` to ``last[i]``: (rows, channels, 2 or more) to (len(first), channels, 2)."""
    # reduceat goes on to the next index, so the rows that two columns share are looked at once more.
    last = np.minimum(last, len(pairs))
    first = np.minimum(first, last - 1)
    bounds = np.minimum(np.stack((first, last), axis=1).ravel(), len(pairs) - 1)
    low = np.minimum.reduceat(pairs[..., 0], bounds, axis=0)[::2]
    high = np.maximum.reduceat(pairs[..., 1], bounds, axis=0)[::2]
    closing = last == len(pairs)
    if closing.any():  # the end of the array is no index of its own
        low[closing] = np.minimum(low[closing], pairs[-1, :, 0])
        high[closing] = np.maximum(high[closing], pairs[-1, :, 1])
    return np.stack((low, high), axis=-1)
