"""The loudness of every part of every turn of the disc, for a picture that is drawn while it plays.

The turn is the nominal one and is counted from the first frame of the take: where frame ``f`` lies is
``f / turn_frames mod 1``. Levels are mean squares of all channels in dBFS, to a tenth.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.units import power_to_db

BINS = 48
"""Parts of a turn whose levels are told: 7.5 degrees each."""
_FLOOR_DB = -120.0
"""Told for silence, which has no level in decibels."""


class TurnLevels:
    """Feed it blocks of any size; ``take`` gives the turns that were completed since it was last asked."""

    def __init__(self, rate_hz: int, turn_s: float) -> None:
        self.turn_frames = rate_hz * turn_s
        self._frame = 0
        self._part = 0
        self._sum = 0.0
        self._parts: list[float] = []
        self._taken = 0

    def process(self, block: NDArray[np.float64]) -> None:
        """The next (frames, channels) frames."""
        square = np.mean(block * block, axis=1)
        stop = self._frame + len(block)
        last = int(np.searchsorted(self._edges(self._part, stop), stop, side="right"))
        edges = self._edges(self._part, stop)[:last]
        cuts = [self._frame, *(int(edge) for edge in edges), stop]
        for number, (low, high) in enumerate(zip(cuts, cuts[1:], strict=False)):
            self._sum += float(square[low - self._frame : high - self._frame].sum())
            if number < len(edges):
                self._close()
        self._frame = stop

    def take(self) -> tuple[int, list[list[float]]]:
        """The number of the first turn (from 0) and one row of ``BINS`` levels for each."""
        whole = len(self._parts) // BINS
        rows = [self._parts[turn * BINS : (turn + 1) * BINS] for turn in range(whole)]
        self._parts = self._parts[whole * BINS :]
        first, self._taken = self._taken, self._taken + whole
        return first, rows

    def _edges(self, part: int, stop: int) -> NDArray[np.int64]:
        """Where the part under way and those after it end, up to ``stop`` and a little past it."""
        step = self.turn_frames / BINS
        count = max(0, int((stop - part * step) / step)) + 2
        return np.rint((part + 1 + np.arange(count)) * step).astype(np.int64)

    def _close(self) -> None:
        length = round((self._part + 1) * self.turn_frames / BINS) - round(
            self._part * self.turn_frames / BINS
        )
        self._parts.append(round(max(_FLOOR_DB, power_to_db(self._sum / max(1, length))), 1))
        self._part += 1
        self._sum = 0.0
