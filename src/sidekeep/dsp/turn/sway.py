"""The rotation of the player from what sways once per turn: warp, an off-centre hole, a pattern of rumble.

Conventions: a series is (samples,) or (samples, channels) float64 at ``rate_hz`` (some 20 to 200 Hz): the
low band of a take as it is, or a level over time. Frequencies of the harmonics in Hz, times in seconds.

Method: power at the first harmonics of each trial turn against the median of its own neighbourhood
(Z_m and the H-test's choice of m: de Jager et al., A&A 221, 1989), an extreme-value false-alarm level,
then the likelihood over speed and speed drift (``sway_fit``).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lgamma, log

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.noise.low_rate import decimate, low_factor
from sidekeep.dsp.turn.chains import SPEED_RANGES_S, distance_from_nominal, nominal_nats
from sidekeep.dsp.turn.sway_fit import fit_sway
from sidekeep.errors import ParameterError

Floats = NDArray[np.float64]

_HARMONICS = 6
_BAND_RATE_HZ = 24.0
"""Enough for six harmonics at 80 rpm inside the pass band."""
_HIGHEST = 0.38
"""Of the rate: up to there the low-pass on the way down lets pass."""
_LEAST_TURNS = 6
"""Lines of a Hann window are four bins wide: of fewer than four turns they would lie over each other; six leave bins for the
noise between."""
_LOG_CHANCE = -11.5
"""One false alarm in 100 000."""
_GROUND = 10.0
"""Power over noise of a line that is there."""
_LEAK = 0.3
"""Power that a lateral line leaves in the vertical channel where left and right differ by 10 dB: music mixed to one side, or a
gain that is off. Warp is mostly vertical (common practice, no source)."""
_ONE_WALL, _ONE_WALL_OFF = 1e-3, 0.015
"""A wall 30 dB under the other tells nothing of the vertical, nor does a mono file. A beat looks like a turn then, so only what
is this near to a speed of records is one (chosen here: of 24 pressed sides all that was told rightly lay within 1.2 %)."""
_STRONGEST = 40.0
"""Cap on one harmonic's power over its noise in the search: many lines must beat one loud one (a beat)."""
_UNCAPPED = 1e-3
"""What the power over the cap counts, by its logarithm: enough to find the top of a line that is over the cap all round."""
_RANGE = 1e-7
"""Noise is never taken for less than this share of the strongest line: some 15 bins from a line its own skirts (Hann window:
-18 dB an octave) are down there, and a purer sway than this has no noise to be judged by."""
_NEIGHBOURHOOD = (0.86, 1.14)
"""Times the slowest and the fastest turn of a range: between them the noise round a line is taken (chosen here)."""
_HELD_BACK = 6.0
"""Normal deviations at which what stands out is cut off: needle down, thumps."""
_TOP = 0.8
"""Share of the highest power near it from which a place is on top of a line (chosen here)."""
_BEAT_POWER, _BEAT_LINES = 12.0, 2
"""Power over noise of a line between the harmonics, and how many of them make a beat (chosen here)."""
_RIVAL_NATS, _RIVAL_APART, _RIVAL_BINS = 3.0, 0.003, 4.0
"""A second turn this nearly as likely, farther off than a turn wanders in a side (share of it, and widths of a line), and it is
not known which of the two it is."""


@dataclass(frozen=True)
class Sway:
    """``log_chance``: natural log of the false-alarm probability; 0, with a period of 0, if nothing sways."""

    period_s: float = 0.0
    sd_s: float = 0.0
    drift: float = 0.0
    log_chance: float = 0.0


def find_sway(series: Floats, rate_hz: float) -> Sway:
    """The turn that a series follows. ``drift`` is the relative change of the period over the series."""
    columns = np.asarray(series, dtype=np.float64)
    columns = columns[:, None] if columns.ndim == 1 else columns
    if columns.ndim == 2 and columns.shape[1] == 2:
        # Vertical apart from lateral: bass is cut laterally, warp and rumble are mostly vertical.
        columns = np.stack((columns[:, 0] - columns[:, 1], columns[:, 0] + columns[:, 1]), axis=1)
    if columns.ndim != 2 or not np.all(np.isfinite(columns)):
        raise ParameterError("sway-series")
    if rate_hz < 8.0:
        raise ParameterError("sway-rate", rate_hz=rate_hz)
    factor = low_factor(rate_hz, _BAND_RATE_HZ)
    low = decimate(np.ascontiguousarray(columns), factor) if factor > 1 else columns
    has_vertical = _has_vertical(low)
    leak = _leaking(low)
    low = _tame(low)
    low_rate_hz = rate_hz / factor
    length_s = len(low) / low_rate_hz
    best = Sway()
    for low_s, high_s in SPEED_RANGES_S:
        if length_s < _LEAST_TURNS * high_s:
            continue
        found = _search(low, leak, low_rate_hz, low_s, high_s)
        if found.log_chance < min(best.log_chance, _LOG_CHANCE):
            best = found
    if best.period_s == 0.0 or (not has_vertical and distance_from_nominal(best.period_s) > _ONE_WALL_OFF):
        return Sway()
    return _refine(low, low_rate_hz, best)


def _has_vertical(low: Floats) -> bool:
    """Whether vertical and lateral (columns of ``low``) hold what two walls played: neither one wall, nor one sound twice."""
    if low.shape[1] < 2:
        return False
    walls = np.stack((low[:, 1] + low[:, 0], low[:, 1] - low[:, 0])).var(axis=1)
    return bool(walls.min() > _ONE_WALL * walls.max() and np.ptp(low[:, 0]) > 0.0)


def _tame(low: Floats) -> Floats:
    """Centre each channel and hold back what stands far out (needle down, thumps); dead channels go."""
    low = low - np.median(low, axis=0)
    scale = _scale(low)
    alive = scale > 0.0
    return (
        np.clip(low[:, alive] / scale[alive], -_HELD_BACK, _HELD_BACK)
        if alive.any()
        else np.zeros((len(low), 1))
    )


def _scale(centred: Floats) -> Floats:
    return np.asarray(1.4826 * np.median(np.abs(centred), axis=0))


def _leaking(low: Floats) -> Floats:
    """What music leaves of itself in the vertical channel at the most, in that channel's own measure; shape (samples, 1).

    Held back no sooner than what leaks is. Zero where one of the channels is dead, or there is no second one."""
    low = low - np.median(low, axis=0)
    scale = _scale(low)
    if low.shape[1] < 2 or not scale.all():
        return np.zeros((len(low), 1))
    share = _LEAK**0.5 / scale[0]
    most = _HELD_BACK * max(1.0, share * float(scale[1]))
    return np.asarray(np.clip(share * low[:, 1:], -most, most))


def _log_chi2_tail(value: float, freedom: int) -> float:
    """Natural log of the tail of chi-square with an even number of degrees of freedom."""
    half, terms = 0.5 * value, freedom // 2
    if half <= 0.0:
        return 0.0
    logs = np.array([k * log(half) - lgamma(k + 1) for k in range(terms)])
    top = logs.max()
    return float(min(0.0, -half + top + np.log(np.exp(logs - top).sum())))


def _spectrum(low: Floats) -> tuple[NDArray[np.complex128], int]:
    window = np.hanning(len(low) + 2)[1:-1]
    size = 1 << int(np.ceil(np.log2(16 * len(low))))
    return np.fft.rfft(low * window[:, None], size, axis=0), size


def _floor(power: Floats, bin_hz: float, low_hz: float, high_hz: float) -> Floats:
    """Mean noise power over a range, from its median, per channel."""
    first, stop = int(low_hz / bin_hz), max(int(high_hz / bin_hz), int(low_hz / bin_hz) + 8)
    noise = np.median(power[first:stop], axis=0) / np.log(2.0)
    return np.maximum(np.maximum(noise, _RANGE * power.max(axis=0)), 1e-30)


def _beside(multiple: float, low_s: float, high_s: float) -> tuple[float, float]:
    """The neighbourhood of a multiple of any turn between the two, in Hz."""
    return _NEIGHBOURHOOD[0] * multiple / high_s, _NEIGHBOURHOOD[1] * multiple / low_s


def _search(low: Floats, leak: Floats, rate_hz: float, low_s: float, high_s: float) -> Sway:
    spectrum, size = _spectrum(low)
    power = np.abs(spectrum) ** 2
    bin_hz = rate_hz / size
    length_s = len(low) / rate_hz
    turns_hz = np.arange(1.0 / high_s, 1.0 / low_s, 1.0 / (6.0 * _HARMONICS * length_s))
    channels = low.shape[1]
    total, heights = np.zeros(len(turns_hz)), np.zeros(len(turns_hz))
    nominal = np.array([nominal_nats(1.0 / hz) for hz in turns_hz.tolist()])
    best = Sway()
    trials = log(len(SPEED_RANGES_S) * _HARMONICS * max(4.0, 1.5 * length_s * (1.0 / low_s - 1.0 / high_s)))
    for number in range(1, _HARMONICS + 1):
        if number / low_s > _HIGHEST * rate_hz:
            break
        noise = _floor(power, bin_hz, *_beside(number, low_s, high_s))
        lines = power[np.rint(number * turns_hz / bin_hz).astype(np.int64)]
        ratio = lines / noise
        heights += np.log(np.maximum(ratio, 1.0)).sum(axis=1)
        ratio = np.minimum(ratio, _STRONGEST)
        # The beat of music falls on single harmonics now and then; the turn itself must sway, and vertically.
        if number == 1:
            leaked = _around(
                np.abs(_spectrum(leak)[0][:, 0]) ** 2, turns_hz / bin_hz, 2.0 / (length_s * bin_hz)
            )
            grounded = (ratio[:, 0] > _GROUND) & ((ratio[:, -1] < _GROUND) | (lines[:, 0] > leaked))
            if not grounded.any():
                break
            tops = grounded & _is_top(power[:, 0], turns_hz / bin_hz, 2.0 / (length_s * bin_hz))
        ratio = ratio.sum(axis=1)
        total += 2.0 * ratio
        at = int(np.argmax(np.where(grounded, total + _UNCAPPED * heights, 0.0)))
        chance = _log_chi2_tail(float(total[at]), 2 * number * channels) + trials + float(nominal[at])
        # what could not be told apart so far is told by more than the noise of one harmonic
        least = best.log_chance - (_RIVAL_NATS if best.period_s == 0.0 and best.log_chance < 0.0 else 0.0)
        if chance < least and not _is_beat(power, bin_hz, float(turns_hz[at]), low_s, high_s):
            off = np.abs(turns_hz - turns_hz[at])
            apart = (
                tops
                & (heights > heights[at] - _RIVAL_NATS)
                & (off > np.maximum(_RIVAL_APART * turns_hz[at], _RIVAL_BINS / length_s))
            )
            # half a chi-square value is its nats, but for what grows slower
            nats = np.where(apart, 0.5 * total - nominal, -np.inf)
            is_sure = 0.5 * float(total[at]) - float(nominal[at]) > float(nats.max()) + _RIVAL_NATS
            best = Sway(period_s=1.0 / float(turns_hz[at]) if is_sure else 0.0, log_chance=chance)
    return best if best.period_s > 0.0 else Sway()


def _around(power: Floats, bins: Floats, reach: float) -> Floats:
    """The most within ``reach`` bins of each place: of the skirts of a line its top."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(maximum_filter1d(power, 2 * int(reach) + 1)[np.rint(bins).astype(np.int64)])


def _is_top(power: Floats, bins: Floats, reach: float) -> NDArray[np.bool_]:
    """Whether each place (in bins) lies on the top of a line, not on its skirts: nothing within ``reach`` is much higher."""
    here = np.rint(bins).astype(np.int64)
    return np.asarray(power[here] > _TOP * _around(power, bins, reach))


def _is_beat(power: Floats, bin_hz: float, turn_hz: float, low_s: float, high_s: float) -> bool:
    """Whether there are lines between the harmonics as well, at halves, thirds or quarters of the turn.

    A beat has its bars and its off-beats; what is on a disc comes back after whole turns only.
    """
    for parts in (2, 3, 4):
        between = [k / parts for k in range(1, 4 * parts) if k % parts]
        found = 0
        for multiple in between:
            if multiple * turn_hz > 0.45 * len(power) * bin_hz:
                break
            noise = _floor(power, bin_hz, *_beside(multiple, low_s, high_s))
            found += bool((power[round(multiple * turn_hz / bin_hz)] / noise).max() > _BEAT_POWER)
        if found >= _BEAT_LINES:
            return True
    return False


def _refine(low: Floats, rate_hz: float, found: Sway) -> Sway:
    """Speed and drift of what was found, as well as its harmonics tell them."""
    turn_hz, sd_hz, bend_hz_s = fit_sway(low, rate_hz, 1.0 / found.period_s, _HARMONICS, _HIGHEST * rate_hz)
    period_s = 1.0 / turn_hz
    drift = -bend_hz_s * len(low) / rate_hz / turn_hz
    return Sway(period_s, sd_hz * period_s**2, drift, found.log_chance)
