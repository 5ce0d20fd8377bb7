"""A steady noise from before the music: the chain with the needle up, or the lead-in?

Groove noise lies under all music, so what no later moment comes near was the chain. A gap between tracks that sounds
like it and ends again says that it was a lead-in: nobody flips a record in less than a quarter of a minute.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.needle.needle_levels import MID, WINDOW_S

Floats = NDArray[np.float64]

_IS_CHAIN_AFTER = round(20.0 / WINDOW_S)
"""What comes back after so long was the chain. Chosen by hand, no finer reason."""
HEARD_EVERY = 5
"""Windows between two calls of ``hear``."""
_VISIT = round(1.0 / WINDOW_S)
"""Of early noise that was heard again for so long and then gave way to louder noise: it was the groove's. Chosen by hand,
no finer reason."""
_OVER_CHAIN_DB = 4.0
"""Mid and high bands so far over the early noise are a groove's. As much as a groove stands over the chain at least
(``chain``)."""
_SAME_DB = np.array([3.0, 1.5, 1.5])
"""Chain noise comes back as it was; groove noise differs from place to place (common practice, no source)."""


class EarlyNoise:
    """Levels are rows of ``needle_levels``, one every ``WINDOW_S``; ``index`` counts windows."""

    def __init__(self) -> None:
        self._levels: Floats | None = None
        self._until = 0
        self._visited = 0

    def note(self, levels: Floats, index: int) -> None:
        """Steady noise, and no music yet."""
        self._levels, self._until, self._visited = levels, index, 0

    def hear(self, rows: Floats) -> None:
        """The newest second, some times a second: whatever comes near the early noise, but not for long, was groove."""
        if self._levels is None:
            return
        if self._is_same(rows):
            self._visited += 1
            return
        level = np.median(rows, axis=0)
        if (level[MID:] > self._levels[MID:] + _OVER_CHAIN_DB).all():
            if self._visited * HEARD_EVERY >= _VISIT:
                self._levels = None
            self._visited = 0
        elif self._visited == 0 and not any(self._is_same(half) for half in np.array_split(rows, 2)):
            self._levels = None

    def is_back(self, rows: Floats, index: int) -> bool:
        """Whether all of these rows are the early noise, and it was long enough ago to be known as the chain."""
        return self._levels is not None and index - self._until >= _IS_CHAIN_AFTER and self._is_same(rows)

    def _is_same(self, rows: Floats) -> bool:
        assert self._levels is not None
        halves = np.array_split(rows, 2)
        return all((np.abs(np.median(half, axis=0) - self._levels) < _SAME_DB).all() for half in halves)
