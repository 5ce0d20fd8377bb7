"""Two takes of one groove, laid on each other to a small part of a sample.

Conventions: ``old`` and ``new`` are (frames, channels) float64 at the same ``rate_hz``, the new one already read along the
best curve so far, so that what is left is a small delay that changes slowly: ``old(t) = gain * new(t + delay(t))``. Delays
are seconds at *knots* every ``KNOT_S``. Positive: the new take must be read later.

1. ``near_delays``: correlation by partial phase weighting (after Knapp & Carter, *IEEE Trans. ASSP* 24, 1976) in half
   seconds of the middle of the band; the best path through time by dynamic programming, so one bar is not taken for the next.
2. ``Refiner``: the delay that explains the difference best, ``sum (old - gain new) new' / sum gain new'^2`` in every knot
   (Lucas & Kanade, *Proc. IJCAI* 1981), where both takes are first weighted by how much of each frequency they share
   (coherence: the maximum-likelihood weight of Knapp & Carter), and a curve that bends no more than turntables do
   (a smoothing spline: the penalty is the expected second difference). What a tick does counts little (Huber, 1964).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]

KNOT_S = 0.005
"""Flutter of 60 Hz, the quickest a player has, is three knots and a third long."""
NEAR_WINDOW_S, NEAR_HOP_S = 0.5, 0.1
NEAR_LOW_HZ, NEAR_HIGH_HZ = 80.0, 2200.0
NEAR_STEP = 4
"""Lags the path may move between two windows: 0.7 ms in 0.1 s at 6 kHz, more than any player that is played."""
PHASE_WEIGHT = 0.7
"""Between plain correlation (0) and phase alone (1), which noise spoils (Knapp & Carter)."""
BEND_S = 6e-7
"""Expected second difference of the delay over knots, one deviation: flutter of 0.03 % between 6 and 60 Hz gives about 1e-6,
an eccentric disc 1e-7."""
HUBER = 2.5
LOWEST_HZ = 60.0
"""Deviations from which less counts: Huber's 1.345 keeps 95 % of the efficiency, more is kept here as ticks are far out. Rumble
is below 60 Hz."""
MISJUDGED = 5.0
"""The variance is this much more than the evidence says: measured on pressed pairs (``./run bench compare``), because the
music changes within a block while its weights are of the whole block."""
COHERENCE_FRAMES = 2048
"""Bins of 12 Hz at 24 kHz, 700 windows to half a minute."""
EMPTY = 1e-10
"""Of the power of the strongest frequency; the noise of any record lies higher (common practice, no source)."""
MOST_SNR = 1e4
"""40 dB, as much as two playings share at best (chosen here)."""


def near_delays(old: Floats, new: Floats, rate_hz: int, reach_s: float) -> tuple[Floats, Floats, float]:
    """Delays (windows,) of mono signals (n,) at a low rate, how clear each is (0 to 1), and the sign (+1 or -1) of one
    against the other. Windows lie ``NEAR_HOP_S`` apart, the first centred on ``NEAR_WINDOW_S / 2``."""
    size, hop = round(NEAR_WINDOW_S * rate_hz), round(NEAR_HOP_S * rate_hz)
    reach = round(reach_s * rate_hz)
    count = (min(len(old), len(new)) - size) // hop + 1
    if count < 1:
        return np.zeros(0), np.zeros(0), 1.0
    padded = 1 << int(np.ceil(np.log2(size + 2 * reach + 2)))
    window = np.hanning(size)
    cut = np.lib.stride_tricks.sliding_window_view
    first = np.fft.rfft(cut(old, size)[::hop][:count] * window, padded, axis=1)
    second = np.fft.rfft(cut(new, size)[::hop][:count] * window, padded, axis=1)
    cross = np.conj(first) * second
    hz = np.fft.rfftfreq(padded, 1.0 / rate_hz)
    band = (hz >= NEAR_LOW_HZ) & (hz <= min(NEAR_HIGH_HZ, 0.45 * rate_hz))
    strength = np.abs(cross)
    floor = 1e-6 * strength[:, band].mean(axis=1, keepdims=True) + 1e-30
    weighted = np.where(band, cross / (strength + floor) ** PHASE_WEIGHT, 0.0)
    match = np.fft.irfft(weighted, padded, axis=1)
    match = np.concatenate([match[:, -reach:], match[:, : reach + 1]], axis=1)
    scale = np.abs(weighted).sum(axis=1, keepdims=True) * 2.0 / padded + 1e-30
    match /= scale
    path = best_path(np.abs(match), NEAR_STEP)
    rows = np.arange(count)
    sign = 1.0 if np.sum(match[rows, path]) >= 0.0 else -1.0
    inner = np.clip(path, 1, 2 * reach - 1)
    left, middle, right = (sign * match[rows, inner + shift] for shift in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    part = np.where(bend < -1e-12, 0.5 * (left - right) / np.where(bend < -1e-12, bend, -1.0), 0.0)
    delays = (inner - reach + np.clip(part, -1.0, 1.0)) / rate_hz
    return delays, np.clip(sign * match[rows, path], 0.0, 1.0), sign


def best_path(score: Floats, most_step: int) -> NDArray[np.int64]:
    """The column of each row such that neighbours differ by at most ``most_step`` and the scores sum to the most."""
    rows, columns = score.shape
    total = score[0].copy()
    came = np.zeros((rows, columns), np.int64)
    steps = np.arange(-most_step, most_step + 1)
    index = np.arange(columns)
    for row in range(1, rows):
        padded = np.pad(total, most_step, constant_values=-np.inf)
        options = np.stack([padded[most_step + step : most_step + step + columns] for step in steps])
        # of equal ways the straight one
        choice = np.argmax(options - 1e-9 * np.abs(steps)[:, np.newaxis], axis=0)
        came[row] = index + steps[choice]
        total = options[choice, index] + score[row]
    path = np.zeros(rows, np.int64)
    path[-1] = int(np.argmax(total))
    for row in range(rows - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    return path


@dataclass(frozen=True, kw_only=True, eq=False)
class Refined:
    """A further delay at every knot with its deviation (seconds), and the evidence behind it (1 / seconds^2)."""

    delay_s: Floats
    sd_s: Floats
    evidence: Floats


class Refiner:
    """One stretch of the old take (frames, channels), on which readings of the new one are laid again and again."""

    def __init__(self, old: Floats, rate_hz: int) -> None:
        from scipy.fft import next_fast_len, rfft

        self._knot = round(KNOT_S * rate_hz)
        self._count = len(old) // self._knot
        self._rate_hz = rate_hz
        self._frames = self._count * self._knot
        self._length = next_fast_len(max(1, self._frames), real=True)
        self._hz = np.fft.rfftfreq(self._length, 1.0 / rate_hz).astype(np.float32)
        self._old = np.ascontiguousarray(old[: self._frames].T, np.float32)
        self._spectra = [rfft(channel, self._length) for channel in self._old]

    def refine(self, new: Floats, *, highest_hz: float, bend_s: float = BEND_S) -> Refined:
        """The delay left of ``new`` (frames, channels); it must be below a quarter of a period of ``highest_hz``."""
        top = np.zeros(self._count)
        bottom = np.zeros(self._count)
        for channel, old in enumerate(self._old):
            played: NDArray[Any] = np.ascontiguousarray(new[: self._frames, channel], np.float32)
            first, second, slope, colour = self._weighted(channel, old, played, highest_hz)
            rows = (self._count, self._knot)
            power = _around(np.square(second).reshape(rows).sum(axis=1))
            gain = _around((first * second).reshape(rows).sum(axis=1)) / np.maximum(power, 1e-30)
            # where nothing is shared the gain is nothing, and so is the evidence
            gain = np.repeat(np.clip(gain, 0.0, 5.0), self._knot)
            left = first - gain * second
            noise = np.sqrt(_around(np.square(left).reshape(rows).mean(axis=1))) + 1e-9
            # a tick must not pull the curve: beyond HUBER deviations its weight falls
            noise = np.repeat(noise, self._knot)
            weight = 1.0 / (np.maximum(1.0, np.abs(left) / (HUBER * noise)) * colour * np.square(noise))
            slope *= gain
            top += (weight * left * slope).reshape(rows).sum(axis=1)
            bottom += (weight * np.square(slope)).reshape(rows).sum(axis=1)
        delay, variance = smooth_curve(top, bottom, 1.0 / bend_s**2)
        return Refined(delay_s=delay, sd_s=np.sqrt(MISJUDGED * variance), evidence=bottom)

    def _weighted(
        self, channel: int, old: NDArray[Any], new: NDArray[Any], highest_hz: float
    ) -> tuple[Floats, Floats, Floats, float]:
        """Both signals through one zero-phase filter after which what they share stands over what they do not by
        its true ratio at every frequency; the slope of the new one, per second; and how much more of the rest
        lies where the slope is than if it were white."""
        from scipy.fft import irfft, rfft

        at = np.fft.rfftfreq(COHERENCE_FRAMES, 1.0 / self._rate_hz)
        shared, power = shared_part(old, new)
        ratio = np.minimum(shared / np.maximum(1.0 - shared, 1e-9), MOST_SNR)
        low, high = at > LOWEST_HZ, 1.0 / (1.0 + (at / highest_hz) ** 8)
        filtered = low * high * np.sqrt(ratio / np.maximum(power, 1e-30))
        rest = np.square(filtered) * power * (1.0 - shared)
        slopes = np.square(filtered * at) * power * shared
        colour = float((rest * slopes).mean() / max(rest.mean() * slopes.mean(), 1e-60))
        gain = np.interp(self._hz, at, filtered).astype(np.float32)
        spectrum = rfft(new, self._length) * gain
        parts = (self._spectra[channel] * gain, spectrum, spectrum * (np.complex64(2j * np.pi) * self._hz))
        first, second, slope = (
            irfft(part, self._length)[: self._frames].astype(np.float64) for part in parts
        )
        return first, second, slope, max(colour, 1.0)


def _around(rows: Floats, width: int = 41) -> Floats:
    """Mean over some 0.2 s of knots."""
    sums = np.concatenate([[0.0], np.cumsum(rows)])
    index = np.arange(len(rows))
    low, high = np.maximum(0, index - width // 2), np.minimum(len(rows), index + width // 2 + 1)
    mean: Floats = (sums[high] - sums[low]) / (high - low)
    return np.maximum(mean, 0.0)


def shared_part(old: NDArray[Any], new: NDArray[Any]) -> tuple[Floats, Floats]:
    """Coherence of two signals (n,), free of what chance alone would show, and the power of the new one, at the
    frequencies of ``COHERENCE_FRAMES`` (Welch, half overlapping Hann windows)."""
    size = COHERENCE_FRAMES
    if len(old) < 2 * size:
        return np.full(size // 2 + 1, 0.5), np.ones(size // 2 + 1)
    cut = np.lib.stride_tricks.sliding_window_view
    window = np.hanning(size)
    rows = np.arange(0, len(old) - size + 1, size // 2)
    aa, bb, ab = np.zeros(size // 2 + 1), np.zeros(size // 2 + 1), np.zeros(size // 2 + 1, complex)
    for first in range(0, len(rows), 64):
        some = rows[first : first + 64]
        a = np.fft.rfft(cut(old, size)[some] * window, axis=1)
        b = np.fft.rfft(cut(new, size)[some] * window, axis=1)
        aa += np.square(np.abs(a)).sum(axis=0)
        bb += np.square(np.abs(b)).sum(axis=0)
        ab += (np.conj(a) * b).sum(axis=0)
    coherence = np.square(np.abs(ab)) / np.maximum(aa * bb, 1e-60)
    chance = 1.0 / len(rows)
    shared = np.clip((coherence - chance) / (1.0 - chance), 0.0, 1.0)
    # beyond the edge of a take of a lower rate there is nothing, and what chance shares there must not be made loud
    empty = (aa < EMPTY * aa.max()) | (bb < EMPTY * bb.max())
    shared[empty] = 0.0
    return shared, bb / len(rows)


def smooth_curve(top: Floats, bottom: Floats, stiffness: float) -> tuple[Floats, Floats]:
    """The curve x that least ``sum bottom (top / bottom - x)^2 + stiffness * sum (second difference of x)^2``, and
    the variance of each point."""
    from scipy.linalg import cho_solve_banded, cholesky_banded

    count = len(top)
    if count < 3:
        return np.full(count, top.sum() / max(bottom.sum(), 1e-30)), np.full(
            count, 1.0 / max(bottom.sum(), 1e-30)
        )
    band = np.zeros((3, count))  # lower form: band[d, i] is element (i + d, i)
    second = np.array([1.0, -2.0, 1.0])
    for row in range(3):
        for column in range(row, 3):
            band[column - row, row : count - 2 + row] += stiffness * second[row] * second[column]
    band[0] += bottom + 1e-12 * stiffness + 1.0
    factor = cholesky_banded(band, lower=True)
    delay: Floats = cho_solve_banded((factor, True), top)
    variance = np.zeros(count)
    _inverse_diagonal(np.ascontiguousarray(factor), variance)
    return delay, variance


@kernel
def _inverse_diagonal(factor: Floats, out: Floats) -> None:
    """Diagonal of the inverse of L L' with L lower of half-width two (Takahashi, Fagan & Chin 1973)."""
    count = factor.shape[1]
    s11, s12, s22 = 0.0, 0.0, 0.0  # inverse at (i+1, i+1), (i+1, i+2), (i+2, i+2)
    for back in range(count):
        i = count - 1 - back
        d = factor[0, i]
        l1 = factor[1, i] / d if i + 1 < count else 0.0
        l2 = factor[2, i] / d if i + 2 < count else 0.0
        to1 = -(l1 * s11 + l2 * s12)
        to2 = -(l1 * s12 + l2 * s22)
        here = 1.0 / (d * d) - l1 * to1 - l2 * to2
        out[i] = here
        s11, s12, s22 = here, to1, s11
