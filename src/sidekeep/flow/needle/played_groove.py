"""What was heard since the needle went down: how quiet the groove is, and where there was music.

Places are numbers of windows.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.needle.needle_levels import MID, WINDOW_S
from sidekeep.flow.needle.recent_windows import SECOND, RecentWindows

Floats = NDArray[np.float64]

_KEPT = round(600.0 / WINDOW_S)
"""Ten minutes of levels are remembered. Chosen by hand, no finer reason."""
_FLOOR_AFTER = round(10.0 / WINDOW_S)
"""Groove noise counts as such only later: what is heard now may be the chain after a lift."""
_MUSIC_DB = 8.0
"""So far over the quietest groove is music. Chosen by hand, no finer reason."""
_LOUD_DB = -40.0
"""So loud is music whatever the groove is like."""
_LEARN_EVERY, _LOOKED_AT = 10, 400
"""How often, in windows, the quietest groove is looked for again, and among about how many: guards on time."""
_QUIETEST_PERCENT = 2.0
"""The quietest music is no quieter than the groove; the very lowest may be a drop-out. Chosen by hand, no finer reason."""
_UNDER_DB = 5.0
"""So far under the quietest groove noise is no groove. Chosen by hand, no finer reason."""


class PlayedGroove:
    """One play, from the window ``down_at`` on. ``floor`` is the quietest groove noise so far; None until some was heard."""

    def __init__(self, down_at: int) -> None:
        self.down_at = down_at
        self.floor: Floats | None = None
        self.music_count = 0
        self.last_music = -1
        self._first_music = -1
        self._rows: deque[Floats] = deque(maxlen=_KEPT)
        self._floors: deque[tuple[int, Floats]] = deque()
        self._quietest_db = 0.0

    @property
    def music_span(self) -> tuple[int, int]:
        """First window of music and the one after the last; equal when there was none."""
        if self._first_music < 0:
            return self.down_at, self.down_at
        return self._first_music, self.last_music + 1

    @property
    def music_from_db(self) -> float:
        """Where a level stands clear of the groove."""
        return self._quietest_db + _MUSIC_DB

    def hear(self, recent: RecentWindows) -> None:
        """The newest window, heard with the needle down."""
        self._rows.append(recent.rows[-1])
        if len(self._rows) % _LEARN_EVERY == 1:
            self._learn_floor(recent)
            rows = np.asarray(self._rows)[:: max(1, len(self._rows) // _LOOKED_AT), MID]
            self._quietest_db = float(np.percentile(rows, _QUIETEST_PERCENT))
        # A tick lasts a window or two; music goes on.
        row = recent.smooth(5)
        if row[MID] > self.music_from_db or row[MID:].max() > _LOUD_DB:
            self.music_count += 1
            if self._first_music < 0:
                self._first_music = recent.count - 1
            self.last_music = recent.count - 1

    def is_over(self, recent: RecentWindows) -> bool:
        """Whether the last second lies clearly under the quietest groove noise heard so far."""
        if self.floor is None:
            return False
        return bool((recent.smooth(SECOND)[MID:] < self.floor[MID:] - _UNDER_DB).all())

    def _learn_floor(self, recent: RecentWindows) -> None:
        is_long = len(self._rows) >= 3 * SECOND
        if is_long and recent.is_noise(SECOND) and not recent.is_chain_like(3 * SECOND):
            self._floors.append((recent.count, recent.smooth(SECOND)))
        while self._floors and self._floors[0][0] < recent.count - _FLOOR_AFTER:
            _, level = self._floors.popleft()
            self.floor = level if self.floor is None else np.minimum(self.floor, level)
