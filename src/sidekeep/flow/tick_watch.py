"""The tick of the locked groove, in a row of peak values: it comes back once per turn of the disc."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_TURN_PERIODS_S = (60.0 / 100.0 * 3.0, 60.0 / 45.0, 60.0 / 78.26, 60.0 / 77.92)
"""33 1/3, 45 and the two 78s (78.26 on 60 Hz mains, 77.92 on 50 Hz; IEC 98)."""


def once_per_turn(peaks: NDArray[np.float64], step_s: float) -> bool:
    """Whether a row of (log) peak values repeats with the period of a turn, and at no shorter one."""
    count = len(peaks)
    deviation = peaks - peaks.mean()
    power = float((deviation**2).sum())
    if power <= 0.0:
        return False
    spectrum = np.abs(np.fft.rfft(deviation, 2 * count)) ** 2
    likeness = np.fft.irfft(spectrum)[:count] / power
    for period_s in _TURN_PERIODS_S:
        lag = period_s / step_s
        near = [round(lag * turns) for turns in (1, 2, 3) if lag * turns < count - 1]
        if len(near) < 3:
            continue
        heights = [likeness[max(0, at - 1) : at + 2].max() * count / (count - at) for at in near]
        between = likeness[2 : max(3, near[0] - 2)].max(initial=0.0)
        if min(heights) > 0.35 and min(heights) > 1.5 * between:
            return True
    return False
