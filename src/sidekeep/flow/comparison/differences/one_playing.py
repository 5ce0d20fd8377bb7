"""Two recordings that are one playing: a take and its copy, at another rate, level or start, or in another format.

No player plays a side twice alike: its speed sways by thousandths of a percent at the very least, which is ten microseconds
within a turn, and it is read to less than one. Two curves that keep step over seconds are therefore one playing, if what is
quiet on both is one sound as well (takes made for a trial may keep step and have noises of their own). Combined they would
gain nothing; compared they say nothing of the disc.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.flow.comparison.differences.bands import FramePowers, quiet_frames

Floats = NDArray[np.float64]

STEP_S = 5e-6
"""A wow of a thousandth of a percent once a turn of 1.8 s bends a curve by more than twice this within a second. Copies stay
below 1e-6."""
MOST = 0.95
"""Of the bends that are known: a tick here and there may disturb one. No matter (see the README)."""
APART_S = 1.0
"""Over half a turn, so that the sway of a turn shows. No matter."""
LEAST_S = 5.0
"""Of curve that is known well enough to say anything."""
SHARED = 0.5
"""Half way between two noises, which share little, and one. No matter."""
NOISE_HZ = 2000.0
"""From here on a band is wide enough for two noises to share little of it by chance."""


def keeps_step(one: TimeMap, other: TimeMap | None = None) -> bool:
    """Whether the take of a curve runs straight along the ruler; with ``other``, along that take instead (one ruler for both)."""
    first, stop = one.start_s, one.stop_s
    if other is not None:
        first, stop = max(first, other.start_s), min(stop, other.stop_s)
    at_s = np.arange(first, stop, one.step_s)
    apart = round(APART_S / one.step_s)
    if len(at_s) < 2 * apart + LEAST_S / one.step_s:
        return False
    offset = one.at(at_s) - (at_s if other is None else other.at(at_s))
    sure = _is_sure(one, at_s) & (True if other is None else _is_sure(other, at_s))
    bends = np.abs(offset[2 * apart :] - 2.0 * offset[apart:-apart] + offset[: -2 * apart])
    bends = bends[sure[2 * apart :] & sure[apart:-apart] & sure[: -2 * apart]]
    return len(bends) * one.step_s >= LEAST_S and float(np.mean(bends < STEP_S)) >= MOST


def _is_sure(curve: TimeMap, at_s: Floats) -> NDArray[np.bool_]:
    moments = curve.start_s + curve.step_s * np.arange(len(curve.sd_s))
    return np.asarray(np.interp(at_s, moments, curve.sd_s) < STEP_S)


def is_one_playing(curve: TimeMap, powers: FramePowers) -> bool:
    """Whether the takes laid on each other by ``curve`` are one playing; ``powers`` of the whole of both."""
    if not keeps_step(curve):
        return False
    quiet = quiet_frames(powers)
    high = powers.bands_between(NOISE_HZ, np.inf)
    if not quiet.any() or not high:
        return True
    return float(np.median(powers.shared[quiet][:, high])) > SHARED
