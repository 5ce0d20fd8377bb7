"""Where a place on one take lies on another take of the same side, by the sound round it.

First the onsets of the whole takes give the line they lie on and the drift round it, as for a comparison
(``dsp.alignment.rough``): another start, another speed, a turntable that slows down. Then the loudness of short steps round
the place gives it finely; another stylus, gain or noise does not matter to it. A place that is not sure is None.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.onsets import FEATURE_HZ
from sidekeep.dsp.alignment.rough import RoughLine, follow, rough_line
from sidekeep.flow.comparison.laying.alignment import listen, onset_rate
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.ports import AudioSource

Floats = NDArray[np.float64]

FINE_HZ = 500
"""Two milliseconds: a place of a cut needs no more."""
ROUND_S, REACH_S = 8.0, 0.5
"""Seconds compared round a place, and how far from the line and its drift it is looked for."""
SURE = 0.8
"""Least correlation of the loudness round a place."""
_SMOOTH = np.hanning(11)[1:-1] / np.hanning(11).sum()
"""Over some 18 ms: what is left of single periods of the bass would only match to a part of a step."""
_FLOOR = 1e-4
"""Of the level, -80 dB: silence has no shape."""


@dataclass(frozen=True, eq=False)
class LaidTakes:
    """Two takes of one cutting. ``drift_s``: how far the new one is from the line, ``FEATURE_HZ`` times a second of the old."""

    old: AudioSource
    new: AudioSource
    line: RoughLine
    drift_s: Floats

    def place(self, at_s: float) -> float | None:
        """Seconds on the new take of a place on the old one, or None when the sound round it does not say for sure."""
        ratio = self.line.speed_ratio
        expected_s = self.line.offset_s + ratio * at_s
        if len(self.drift_s):
            expected_s += float(np.interp(at_s * FEATURE_HZ, np.arange(len(self.drift_s)), self.drift_s))
        half_s = ROUND_S / 2.0
        mine = loudness_steps(self.old, at_s - half_s, at_s + half_s, FINE_HZ)
        # Steps of the new take last as long as the same piece of groove takes there.
        far_s = half_s * ratio + REACH_S
        theirs = loudness_steps(self.new, expected_s - far_s, expected_s + far_s, FINE_HZ / ratio)
        lag, correlation = best_lag(mine, theirs)
        if correlation < SURE:
            return None
        return expected_s - far_s + lag * ratio / FINE_HZ + half_s * ratio


def lay_takes(old: AudioSource, new: AudioSource) -> LaidTakes | None:
    """Both takes on each other, or None when they are not the same cutting for sure. Reads both once."""
    rate_hz = onset_rate(old, new)
    told_old, told_new = listen(old, rate_hz), listen(new, rate_hz)
    line = rough_line(told_old, told_new)
    if not line.is_same:
        return None
    return LaidTakes(old, new, line, follow(told_old.onsets, told_new.onsets, line))


def loudness_steps(source: AudioSource, start_s: float, stop_s: float, steps_hz: float) -> Floats:
    """Log level of every step of a stretch of a take; outside the take it is silence."""
    rate_hz = source.format.rate_hz
    count = round((stop_s - start_s) * steps_hz)
    edges = np.round((start_s + np.arange(count + 1) / steps_hz) * rate_hz).astype(np.int64)
    edges = np.clip(edges, 0, source.format.length_frames)
    power = np.zeros(count)
    if edges[-1] > edges[0]:
        audio = numbers_only(source.read(int(edges[0]), int(edges[-1])))
        sums = np.concatenate([[0.0], np.cumsum(np.square(audio).mean(axis=1))])
        power = np.diff(sums[edges - edges[0]]) / np.maximum(1, np.diff(edges))
    smooth = np.maximum(np.convolve(power, _SMOOTH, "same"), 0.0)
    steps: Floats = np.log(np.sqrt(smooth) + _FLOOR)
    return steps


def best_lag(short: Floats, long: Floats) -> tuple[float, float]:
    """Lag (steps, and a part of one) at which ``short`` lies best within ``long``, and its normalised correlation."""
    from scipy.signal import correlate

    if len(short) < 2 or len(long) < len(short) or np.ptp(short) == 0.0 or np.ptp(long) == 0.0:
        return 0.0, 0.0
    short, long = short - short.mean(), long - long.mean()
    products = correlate(long, short, "valid", "fft")
    sums = np.concatenate([[0.0], np.cumsum(long)])
    squares = np.concatenate([[0.0], np.cumsum(np.square(long))])
    size = len(short)
    spread = squares[size:] - squares[:-size] - np.square(sums[size:] - sums[:-size]) / size
    correlation = products / np.sqrt(np.maximum(spread * np.square(short).sum(), 1e-12))
    best = int(np.argmax(correlation))
    part = 0.0
    if 0 < best < len(correlation) - 1:
        left, middle, right = correlation[best - 1 : best + 2]
        part = 0.5 * (left - right) / min(left - 2.0 * middle + right, -1e-12)
    return best + float(np.clip(part, -0.5, 0.5)), float(correlation[best])
