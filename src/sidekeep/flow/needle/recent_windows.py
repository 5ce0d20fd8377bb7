"""The newest windows of the input while the needle is watched, and what a stretch of them sounds like."""

from __future__ import annotations

from collections import deque
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.needle.needle_levels import (
    HIGH,
    MID,
    SILENT_DB,
    SWAY,
    WINDOW_S,
    WindowLevels,
    roughness_db,
)

Floats = NDArray[np.float64]
SECOND = round(1.0 / WINDOW_S)
"""Windows in a second."""
_STEPS_KEPT_S = 30.0
"""Ticks are told by the steps of so long: some fifteen turns. Chosen by hand, no finer reason."""


class RecentWindows:
    """Levels, spectral shapes, ticks and steps of the newest windows, ``kept`` of them; ``count`` is how many there ever were."""

    def __init__(self, kept: int) -> None:
        self.count = 0
        self.rows: deque[Floats] = deque(maxlen=kept)
        self.ticks: deque[bool] = deque(maxlen=kept)
        self._shapes: deque[Floats] = deque(maxlen=SECOND)
        self._steps: deque[float] = deque(maxlen=round(_STEPS_KEPT_S / WINDOW_S))

    def add(self, measured: WindowLevels, at: int) -> None:
        """One more window."""
        self.rows.append(measured.levels[at])
        self._shapes.append(measured.shapes[at])
        self.ticks.append(bool(measured.ticks[at]))
        self._steps.append(float(measured.steps[at]))
        self.count += 1

    @property
    def is_silent(self) -> bool:
        """Whether the newest window holds no sound at all, which no converter gives while it listens."""
        return bool(self.rows[-1].max() <= SILENT_DB)

    def newest(self, windows: int) -> Floats:
        """(windows, bands) levels, as many as there are."""
        return np.asarray(list(islice(reversed(self.rows), windows))[::-1])

    def smooth(self, windows: int) -> Floats:
        """Median level of each band over the newest windows."""
        rows = np.sort(self.newest(windows), axis=0)
        middle: Floats = 0.5 * (rows[(len(rows) - 1) // 2] + rows[len(rows) // 2])
        return middle

    def newest_steps(self, windows: int) -> Floats:
        """How sharp the sharpest rise of each of the newest windows was."""
        return np.asarray(self._steps)[-min(windows, len(self._steps)) :]

    def is_noise(self, windows: int) -> bool:
        """Steady and smooth: groove or chain without music."""
        rows = self.newest(windows)
        if float(rows[:, MID].std()) > 2.0 or float(rows[:, HIGH].std()) > 2.0:
            return False
        if rows[:, MID].mean() > -35.0:
            return False
        return roughness_db(np.asarray(self._shapes)) < 6.0

    def is_chain_like(self, windows: int, *, ticks: int = 0) -> bool:
        """A steady noise with nothing of a groove in it: no more than so many ticks, no rumble that comes and goes."""
        if len(self.rows) < windows or sum(list(self.ticks)[-windows:]) > ticks:
            return False
        rows = self.newest(windows)
        return bool((rows[:, [SWAY, MID, HIGH]].std(axis=0) < np.array([2.2, 1.8, 1.2])).all())

    def is_groove_like(self, windows: int) -> bool:
        """Ticks as only a groove has them."""
        return sum(list(self.ticks)[-windows:]) > windows * WINDOW_S / 5.0
