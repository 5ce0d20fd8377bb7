"""Where on a pair of takes there is music, and where the needle is in the groove: from what both share, frame by frame.

Music is the same sound on both takes; surface noise, hum and the knock of the needle are not, or only for a moment. Around the
music the groove goes on (lead-in, run-out) while the level of the noise stays what it is beside the music: before the needle is
down and after it is up the chain alone is much quieter, and the needle itself much louder.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.comparison.differences.bands import FramePowers
from sidekeep.flow.comparison.laying.alignment import Alignment

Floats = NDArray[np.float64]

CLEAR_SD_S = 5e-6
"""A knot as sure as this lies in music (a quarter of a frame at 48 kHz)."""
SHARED = 0.6
"""Music is nearly one sound on both, noise is not. Half took the run-out for music; from 1 on there is none."""
FEWEST_SECONDS = 3
"""A knock that both takes hold lasts less. With two and with six the music began or ended a second elsewhere."""
STEP_S = 0.5
FALLS_DB, RISES_DB = 6.0, 10.0
"""In steps of half a second the noise of the groove goes on: the chain alone is 15 to 30 dB under it (common practice, no
source). Steps of a quarter lost the run-out once. How far it may fall or rise: no matter."""


def music_span(alignment: Alignment) -> tuple[float, float]:
    """From the first to the last second at which the curve is sure, roughly the music: known before any sound is compared."""
    curve = alignment.curve
    assert curve is not None
    size = round(1.0 / curve.step_s)
    count = len(curve.sd_s) // size
    seconds = np.median(curve.sd_s[: count * size].reshape(count, size), axis=1)
    sure = np.flatnonzero(seconds < CLEAR_SD_S)
    if len(sure) < FEWEST_SECONDS:
        return curve.start_s, curve.stop_s
    return curve.start_s + float(sure[0]), curve.start_s + float(sure[-1]) + 1.0


def shared_span(powers: FramePowers, otherwise_s: tuple[float, float]) -> tuple[float, float]:
    """From the beginning of the first to the end of the last stretch of some seconds in which both takes hold one sound."""
    middle = powers.bands_between(300.0, 5000.0)
    weights = np.sqrt(powers.old[:, middle].astype(np.float64) * powers.new[:, middle])
    shared = (weights * powers.shared[:, middle]).sum(axis=(1, 2)) / np.maximum(
        weights.sum(axis=(1, 2)), 1e-30
    )
    starts, seconds = _medians(powers.at_s, shared, 1.0)
    alike = seconds > SHARED
    run = np.convolve(alike, np.ones(FEWEST_SECONDS), "same") > FEWEST_SECONDS - 0.5
    # a second belongs to a run whose middle lies within a second of it
    inside = np.flatnonzero(alike & (np.convolve(run, np.ones(FEWEST_SECONDS), "same") > 0.5))
    if not len(inside):
        return otherwise_s
    return float(starts[inside[0]]), float(starts[inside[-1]]) + 1.0


def groove_span(powers: FramePowers, music_s: tuple[float, float]) -> tuple[float, float]:
    """The music with the lead-in and run-out around it, as far as the noise stays what it is beside the music."""
    high = powers.bands_between(500.0, 20_000.0)
    power = np.sqrt(
        powers.old[:, high].sum(axis=(1, 2)).astype(np.float64) * powers.new[:, high].sum(axis=(1, 2))
    )
    starts, levels = _medians(powers.at_s, 10.0 * np.log10(np.maximum(power, 1e-16)), STEP_S)
    before = np.flatnonzero(starts + STEP_S <= music_s[0])[::-1]
    after = np.flatnonzero(starts >= music_s[1])
    return music_s[0] - _reach_s(levels[before]), music_s[1] + _reach_s(levels[after])


def _reach_s(levels: Floats) -> float:
    """Seconds from the music outward in which the level stays what it is at first."""
    if len(levels) < 2:
        return 0.0
    beside = float(np.min(levels[:2]))
    changed = np.flatnonzero((levels < beside - FALLS_DB) | (levels > beside + RISES_DB))
    steps = int(changed[0]) if len(changed) else len(levels)
    # the step in which it changes begins in the one before
    return STEP_S * max(0, steps - 1)


def _medians(at_s: Floats, values: Floats, step_s: float) -> tuple[Floats, Floats]:
    """The beginnings (s) of steps and the median of the values in each."""
    if not len(at_s):
        return np.zeros(0), np.zeros(0)
    number = np.floor((at_s - at_s[0]) / step_s).astype(np.int64)
    edges = np.flatnonzero(np.diff(number, prepend=-1))
    parts = np.split(values, edges[1:])
    return at_s[0] + step_s * number[edges], np.array([float(np.median(part)) for part in parts])
