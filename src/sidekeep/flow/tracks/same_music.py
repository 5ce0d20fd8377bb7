"""Whether two plays hold the same music: one side played twice and given as two.

Conventions: of takes that were recorded apart the envelope is known, (points, 2), smallest and largest sample in equal parts of
a take. Two are compared as their loudness in decibels, without what changes slowly, at every shift and at the speeds two
turntables may differ by. Of two plays in one take the levels of all bands are known, (hops, 2, bands) in decibels, which tell
much more; there one turntable played both.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bands = NDArray[np.float32]
Alike = Literal["same", "perhaps", "other"]

_STEP_S = 1.0
_SLOW_S = 20.0
"""Levels second by second, without what changes over 20 s: a player's gain and the wear inward say nothing of the music."""
_PAUSE_DB = 25.0
"""Under the louder quarter: between tracks, or a rest."""
_SPEEDS = np.linspace(0.97, 1.03, 121)
"""3 % either way, in steps over which twenty minutes slip by a third of a second either way."""
_SAME = 0.75
"""Sides come to 0.6 at most (the demo's, and pieces on one steady beat), two takes of one side to 0.84 at least: by trial."""
_RIVAL, _RIVAL_S = 0.85, 3.0
"""Where another shift, so much away, is nearly as alike, the music comes again and again: bars, a drone. Two plays of real music
come to 0.62 there at most, different drones and steady bars that are alike to 0.94 at least (2026-11-28)."""
_LENGTH_SHARE, _LENGTH_S = 0.02, 2.0
"""How far the music of two plays of one side may differ in length: two turntables, and where a fade is heard to end."""
_LEAST_S = 60.0
"""Under a minute there are three slow stretches or fewer, and any two pieces are alike by chance (chosen here)."""
_LEAST_SHARE = 0.6
"""Of the shorter take, how much must lie on the other."""
_RIVAL_SHARE = 0.4
"""The same where only something as like is looked for: a shift of some bars leaves less in common."""

_POINT_S = 0.5
"""Two points a second: finer than notes are long, so that a shift of a second is no longer alike."""
_ONE_PLAYER = np.linspace(0.996, 1.004, 9)
"""What one turntable may drift between two plays."""
_SAME_BANDS = 0.8
"""Sides of one length come to 0.25 (the demo's) and 0.52 (steady tunes with pauses at the same places), two plays of one side
to 0.99: by trial."""


def is_same_sound(one_db: Bands, other_db: Bands, hop_s: float) -> bool:
    """Whether the band levels of two plays in one take, (hops, 2, bands), are of the same music."""
    return band_correlation(one_db, other_db, hop_s) > _SAME_BANDS


def band_correlation(one_db: Bands, other_db: Bands, hop_s: float) -> float:
    """The highest correlation of the levels of all bands together over shifts and speeds, 0 to 1; 0 for less than a minute."""
    if min(len(one_db), len(other_db)) * hop_s < _LEAST_S:
        return 0.0
    first = _course(one_db, hop_s)
    return max(_highest(first, _course(other_db, hop_s * float(speed)))[0] for speed in _ONE_PLAYER)


def _course(bands_db: Bands, hop_s: float) -> tuple[Floats, Floats]:
    """Levels every half second less their mean over 20 s, (points, bands); all of them count."""
    hops = max(1, round(_POINT_S / hop_s / 2))
    count = len(bands_db) // hops
    means = bands_db[: count * hops].reshape(count, hops, -1).mean(axis=1, dtype=np.float64)
    at_s = np.arange(0.0, (count - 1) * hops * hop_s, _POINT_S)
    place = at_s / (hops * hop_s)
    low = np.minimum(place.astype(np.int64), count - 2)
    share = (place - low)[:, None]
    levels = (1.0 - share) * means[low] + share * means[low + 1]
    size = round(_SLOW_S / _POINT_S)
    sums = np.cumsum(np.concatenate([np.zeros((1, levels.shape[1])), levels]), axis=0)
    first = np.maximum(np.arange(len(levels)) - size // 2, 0)
    last = np.minimum(np.arange(len(levels)) + size // 2 + 1, len(levels))
    return levels - (sums[last] - sums[first]) / (last - first)[:, None], np.ones((len(levels), 1))


def is_same_length(one_s: float, other_s: float) -> bool:
    """Whether two lengths of music are those of one side played twice."""
    return abs(one_s - other_s) <= _LENGTH_SHARE * max(one_s, other_s) + _LENGTH_S


def how_alike(one: Floats, one_s: float, other: Floats, other_s: float) -> Alike:
    """Whether two envelopes of takes that long are of the same music; to be asked where the music is as long. ``perhaps`` where
    it is as like itself a little later: loudness alone cannot tell two such pieces from one."""
    likeness, rival = music_correlation(one, one_s, other, other_s)
    if likeness <= _SAME:
        return "other"
    return "same" if rival < _RIVAL * likeness else "perhaps"


def music_correlation(one: Floats, one_s: float, other: Floats, other_s: float) -> tuple[float, float]:
    """The highest correlation of two envelopes' loudness over all shifts and speeds, -1 to 1, and the highest at another shift;
    0 for less than a minute. Pauses are left out: that tracks are as long makes no two sides one."""
    if min(one_s, other_s) < _LEAST_S or min(len(one), len(other)) < 2:
        return 0.0, 0.0
    first = _loudness(one, one_s, 1.0)
    rival = round(_RIVAL_S / _STEP_S)
    return max(_highest(first, _loudness(other, other_s, float(speed)), rival) for speed in _SPEEDS)


def _loudness(envelope: Floats, length_s: float, speed: float) -> tuple[Floats, Floats]:
    """Decibels every second of another speed, less their mean over 20 s, and where there is music, both (points, 1)."""
    peak = np.abs(envelope).max(axis=1)
    level = 20.0 * np.log10(np.maximum(peak, 1e-9))
    at = (np.arange(len(level)) + 0.5) * length_s * speed / len(level)
    fine = np.interp(np.arange(_STEP_S / 2.0, length_s * speed, _STEP_S), at, level)
    music = (fine > np.percentile(fine, 75.0) - _PAUSE_DB).astype(np.float64)
    window = np.ones(round(_SLOW_S / _STEP_S))
    near = np.convolve(music, window, mode="same")
    slow = np.convolve(fine * music, window, mode="same") / np.maximum(near, 1.0)
    return ((fine - slow) * music)[:, None], music[:, None]


def _highest(
    one: tuple[Floats, Floats], other: tuple[Floats, Floats], rival_points: int = 0
) -> tuple[float, float]:
    """The highest normalized correlation of two courses, (points, bands), each with the points that count, (points, 1), where
    enough of the shorter lies on the other; and the highest at a shift more than ``rival_points`` from that one."""
    (first, there), (second, too) = one, other
    size = len(first) + len(second)

    def correlated(x: Floats, y: Floats) -> Floats:
        spectrum = np.fft.rfft(x, size, axis=0) * np.conj(np.fft.rfft(y, size, axis=0))
        return np.asarray(np.fft.irfft(spectrum.sum(axis=1), size))

    def power(x: Floats) -> Floats:
        return np.square(x).sum(axis=1, keepdims=True)

    both = correlated(power(first), too) * correlated(there, power(second))
    share = correlated(there, too) / max(1.0, min(there.sum(), too.sum()))
    found = correlated(first, second) / np.sqrt(np.maximum(both, 1e-12))
    place = int(np.argmax(np.where(share >= _LEAST_SHARE, found, 0.0)))
    away = np.abs(np.arange(size) - place)
    elsewhere = (np.minimum(away, size - away) > rival_points) & (share >= _RIVAL_SHARE)
    likeness = float(found[place]) if share[place] >= _LEAST_SHARE else 0.0
    return max(likeness, 0.0), float(found[elsewhere].max(initial=0.0))
