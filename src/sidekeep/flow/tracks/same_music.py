"""Whether two takes hold the same music, though they were recorded apart: one side played twice and given as two.

Conventions: an envelope is (points, 2), smallest and largest sample in equal parts of a take. Two are compared as their
loudness in decibels, without what changes slowly, at every shift and at the speeds two turntables may differ by.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_STEP_S = 1.0
_SLOW_S = 20.0
_PAUSE_DB = 25.0
"""Under the louder quarter: between tracks, or a rest."""
_SPEEDS = np.linspace(0.97, 1.03, 121)
"""3 % either way, in steps over which twenty minutes slip by a third of a second either way."""
_SAME = 0.75
"""Sides come to 0.6 at most (the demo's, and pieces on one steady beat), two takes of one side to 0.84 at least: by trial."""
_LENGTH_SHARE, _LENGTH_S = 0.02, 2.0
"""How far the music of two plays of one side may differ in length: two turntables, and where a fade is heard to end."""
_LEAST_S = 60.0
_LEAST_SHARE = 0.6
"""Of the shorter take, how much must lie on the other."""


def is_same_length(one_s: float, other_s: float) -> bool:
    """Whether two lengths of music are those of one side played twice."""
    return abs(one_s - other_s) <= _LENGTH_SHARE * max(one_s, other_s) + _LENGTH_S


def is_same_music(one: Floats, one_s: float, other: Floats, other_s: float) -> bool:
    """Whether two envelopes of takes that long are of the same music; to be asked where the music is as long."""
    return music_correlation(one, one_s, other, other_s) > _SAME


def music_correlation(one: Floats, one_s: float, other: Floats, other_s: float) -> float:
    """The highest correlation of two envelopes' loudness over all shifts and speeds, -1 to 1; 0 for less than a minute.
    Pauses are left out: that tracks are as long makes no two sides one."""
    if min(one_s, other_s) < _LEAST_S or min(len(one), len(other)) < 2:
        return 0.0
    first = _loudness(one, one_s, 1.0)
    return max(_highest(first, _loudness(other, other_s, float(speed))) for speed in _SPEEDS)


def _loudness(envelope: Floats, length_s: float, speed: float) -> tuple[Floats, Floats]:
    """Decibels every second of another speed, less their mean over 20 s; and where there is music."""
    peak = np.abs(envelope).max(axis=1)
    level = 20.0 * np.log10(np.maximum(peak, 1e-9))
    at = (np.arange(len(level)) + 0.5) * length_s * speed / len(level)
    fine = np.interp(np.arange(_STEP_S / 2.0, length_s * speed, _STEP_S), at, level)
    music = (fine > np.percentile(fine, 75.0) - _PAUSE_DB).astype(np.float64)
    window = np.ones(round(_SLOW_S / _STEP_S))
    near = np.convolve(music, window, mode="same")
    slow = np.convolve(fine * music, window, mode="same") / np.maximum(near, 1.0)
    return (fine - slow) * music, music


def _highest(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> float:
    """The highest normalized correlation of two loudnesses, each with where there is music, where enough of the shorter
    lies on the other."""
    (first, there), (second, too) = one, other
    size = len(first) + len(second)

    def correlated(x: Floats, y: Floats) -> Floats:
        spectrum = np.fft.rfft(x, size) * np.conj(np.fft.rfft(y, size))
        return np.fft.irfft(spectrum, size)

    power = correlated(first**2, too) * correlated(there, second**2)
    enough = correlated(there, too) >= _LEAST_SHARE * min(there.sum(), too.sum())
    found = correlated(first, second)[enough] / np.sqrt(np.maximum(power[enough], 1e-12))
    return float(found.max(initial=0.0))
