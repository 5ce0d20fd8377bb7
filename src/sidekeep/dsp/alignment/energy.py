"""How unlikely the energy of a few frames is, where noise of unit deviation is expected.

Conventions: rows are (channels, frames) of what should be normal numbers of deviation one. The energy of ``window`` frames of
all rows then follows chi squared; ``sqrt(2 chi^2) - sqrt(2 n - 1)`` is nearly a normal number (Fisher, *Statistical
Methods for Research Workers*, 1925), so thresholds are deviations whatever the window.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]


@kernel
def _strongest(rows: Floats, window: int, out: Floats) -> None:
    channels, frames = rows.shape
    usual = np.sqrt(2.0 * window * channels - 1.0)
    half = window // 2
    energy = 0.0
    for k in range(window):
        for channel in range(channels):
            energy += rows[channel, k] * rows[channel, k]
    low = 0
    for n in range(frames):
        if low < n - half and low < frames - window:
            for channel in range(channels):
                energy += rows[channel, low + window] ** 2 - rows[channel, low] ** 2
            low += 1
        found = np.sqrt(2.0 * max(energy, 0.0)) - usual
        if found > out[n]:
            out[n] = found


def energy_deviations(rows: Floats, windows: tuple[int, ...]) -> Floats:
    """(frames,) the most deviations that the energy around each frame shows over any of the window lengths (frames)."""
    rows = np.ascontiguousarray(rows, np.float64)
    out = np.full(rows.shape[1], -np.inf)
    for window in windows:
        _strongest(rows, max(1, min(window, rows.shape[1])), out)
    return out
