"""What the input sounds like with the needle up: the noise of amplifier and converter, as it was heard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.needle.needle_levels import SWAY, WINDOW_S

Floats = NDArray[np.float64]

SMOOTH = round(0.3 / WINDOW_S)
"""Windows that levels are smoothed over before they are compared with the chain's."""
_LEAST_LIFT_DB = np.array([4.0, 2.5, 2.5])
_MOST_LIFT_DB = np.array([8.0, 6.0, 6.0])
"""The groove stands so far over the chain at least (common practice, no source: 15 to 30 dB where it shows most)."""


@dataclass
class Chain:
    """Levels in bands with their spread, and whether it was surely the chain that was heard."""

    levels: Floats
    spread: Floats
    sure: bool = False

    def lift_db(self) -> Floats:
        """How far over the chain a groove stands at least."""
        return np.clip(5.0 * self.spread, _LEAST_LIFT_DB, _MOST_LIFT_DB)

    def near_db(self, groove_floor: Floats | None) -> Floats:
        """How far over the chain still counts as the chain: well under the groove, where the groove is known."""
        near = 0.6 * self.lift_db()
        if groove_floor is not None:
            stands = groove_floor - self.levels
            near = np.where(stands > 6.0, np.minimum(near, 0.5 * stands), near)
        # Hum moves when an arm is touched, so the lowest band may be off by more.
        near[SWAY] = max(near[SWAY], 6.0)
        return np.maximum(near, 1.5)


def centre_of(rows: Sequence[Floats] | Floats) -> tuple[Floats, Floats]:
    """Median levels of windows and the deviation that medians of 0.3 s have."""
    table = np.asarray(rows)
    middle = np.median(table, axis=0)
    return middle, np.median(np.abs(table - middle), axis=0) * 1.48 / np.sqrt(SMOOTH / 1.5)
