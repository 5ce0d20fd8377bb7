"""Mains hum: a steady comb of harmonics on 50 or 60 Hz.

Conventions: audio is (frames, channels) float64, full scale +-1.0; levels are plain rms of the
comb, mean power over the channels, so a full-scale sine reads -3.01 dBFS.

Method: in pieces of a few seconds a likelihood score is summed over the harmonics of each trial
frequency against the local spectral floor (a robust comb fit); hum must then be *steady* in level
within a piece and agree between pieces. A bass note near mains frequency starts, fades or moves and
fails there (low-percentile idea: Brandt & Bitzer, statistics of steady tones in STFT magnitudes).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.noise.low_rate import decimate, low_factor
from sidekeep.errors import ParameterError
from sidekeep.units import MINIMUM_DB, power_to_db

LOW_RATE_HZ = 2000.0
"""Its pass band of 0.35 holds 14 harmonics of 50 Hz and 11 of 60."""
MAINS_HZ = (50.0, 60.0)
"""The mains frequencies of the world."""
MAINS_REACH_HZ = 0.3
"""How far from nominal mains is looked for; real grids stay within 0.2 Hz."""
MINIMUM_LENGTH_S = 1.5
"""Lines of a shorter span are over 2.7 Hz wide (Hann window)."""

_PIECE_S = 6.0
"""Long enough to part hum from a bass note a semitone off (3 Hz), short enough for mains that wander (chosen here)."""
_HARMONICS = 16
"""A cap for series of a higher rate; at ``LOW_RATE_HZ`` there are 14 at most."""
_PADDING = 8
"""Frequencies tried lie an eighth of a bin apart, where the top of a line is off by 0.03 dB at most (Hann window)."""
_SCORE_FLOOR = 25.0
"""Nats. In 2 s of noise the best of some 240 frequencies and 16 harmonics scores 17 at most (20 000 runs)."""
_LINE_SCORE = 6.0
"""Nats for one harmonic to count as present."""
_LOUDEST_LINE = 200.0
"""Most nats one harmonic adds to the score."""
_PART_S = 0.25
"""A dozen periods of the mains to a moment."""
_ROW_FRAMES, _TOGETHER = 256, 64
_STEADY = 0.4
"""Least ratio of the comb's power in its weaker moments (20th percentile) to its mean, within a piece."""


@dataclass(frozen=True, kw_only=True)
class Hum:
    """``frequency_hz`` is 0 when none was found. ``harmonics`` are (number, dbfs) of those that stand
    out. ``share`` is the part of the pieces that agree (0 to 1)."""

    frequency_hz: float = 0.0
    level_dbfs: float = MINIMUM_DB
    harmonics: tuple[tuple[int, float], ...] = ()
    score: float = 0.0
    share: float = 0.0


@dataclass(frozen=True)
class _Comb:
    frequency_hz: float
    power: NDArray[np.float64]
    score: float
    steady: float


def _harmonic_count(frequency_hz: float, rate_hz: float) -> int:
    return max(1, min(_HARMONICS, int(0.35 * rate_hz / frequency_hz)))


@dataclass(frozen=True)
class _Weighed:
    """A piece under a Hann window, cut into rows: (channels, rows, ``_ROW_FRAMES``), the last one filled up with zeros."""

    rows: NDArray[np.float64]
    window_sum: float


def _weighed(piece: NDArray[np.float64]) -> _Weighed:
    window = np.hanning(len(piece) + 2)[1:-1]
    count = -(-len(piece) // _ROW_FRAMES)
    rows = np.zeros((piece.shape[1], count * _ROW_FRAMES))
    rows[:, : len(piece)] = piece.T * window
    return _Weighed(rows.reshape(piece.shape[1], count, _ROW_FRAMES), float(window.sum()))


def _line_power(piece: _Weighed, frequencies_hz: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    """Mean square of the sinusoid at each frequency (mean over channels).

    The turning of a frame is that of its row times that of its place in the row, and of rows alike: few exponentials, and
    BLAS does the rest.
    """
    channels, count, _ = piece.rows.shape
    rotation = -2j * np.pi / rate_hz * frequencies_hz
    places = np.exp(np.arange(_ROW_FRAMES)[:, None] * rotation)
    within = piece.rows.reshape(-1, _ROW_FRAMES) @ np.concatenate((places.real, places.imag), axis=1)
    within = within.reshape(channels, count, 2, -1)
    far = np.exp(np.arange(0, count, _TOGETHER)[:, None] * (_ROW_FRAMES * rotation))
    near = np.exp(np.arange(_TOGETHER)[:, None] * (_ROW_FRAMES * rotation))
    between = (far[:, None, :] * near).reshape(-1, len(rotation))[:count]
    amplitude = np.einsum("rf,crf->cf", between, within[:, :, 0] + 1j * within[:, :, 1])
    return np.asarray(0.5 * np.mean(np.abs(amplitude * (2.0 / piece.window_sum)) ** 2, axis=0))


def _floors(
    power: NDArray[np.float64], bin_hz: float, length_s: float, centres_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Noise power each line is judged against: median of its neighbourhood, both sides."""
    near = max(3.0 / length_s, 1.0)
    far = near + max(6.0, 8.0 / length_s)
    floors = np.empty(len(centres_hz))
    for i, centre in enumerate(centres_hz):
        lower = power[max(1, int((centre - far) / bin_hz)) : int((centre - near) / bin_hz)]
        upper = power[int((centre + near) / bin_hz) : int((centre + far) / bin_hz)]
        floors[i] = max(np.median(lower), np.median(upper)) / np.log(2.0)
    return np.maximum(floors, 1e-30)


def _scores(power: NDArray[np.float64], floors: NDArray[np.float64], channels: int) -> NDArray[np.float64]:
    """Log-likelihood gain of a line of free size over noise alone, per line."""
    ratio = np.maximum(power / floors, 1.0)
    return np.asarray(channels * (ratio - 1.0 - np.log(ratio)))


def _fit_comb(piece: NDArray[np.float64], rate_hz: float, mains_hz: float) -> _Comb:
    length_s = len(piece) / rate_hz
    channels = piece.shape[1]
    window = np.hanning(len(piece) + 2)[1:-1]
    size = 1 << int(np.ceil(np.log2(len(piece) * _PADDING)))
    spectrum = np.fft.rfft(piece * window[:, None], size, axis=0) * (2.0 / window.sum())
    power = 0.5 * np.mean(np.abs(spectrum) ** 2, axis=1)
    bin_hz = rate_hz / size
    numbers = np.arange(1.0, _harmonic_count(mains_hz, rate_hz) + 1.0)
    floors = _floors(power, bin_hz, length_s, numbers * mains_hz)
    trials: NDArray[np.float64] = mains_hz + np.linspace(-MAINS_REACH_HZ, MAINS_REACH_HZ, 121)
    bins = np.rint(np.outer(trials, numbers) / bin_hz).astype(np.int64)
    each = _scores(power[bins], floors, channels)
    best = float(trials[int(np.argmax(each.sum(axis=1)))])
    step = trials[1] - trials[0]
    weighed = _weighed(piece)
    for _ in range(3):
        near = best + np.linspace(-step, step, 9)
        sums = [
            float(_scores(_line_power(weighed, numbers * f, rate_hz), floors, channels).sum()) for f in near
        ]
        best = float(near[int(np.argmax(sums))])
        step /= 4.0
    lines = _line_power(weighed, numbers * best, rate_hz)
    each = _scores(lines, floors, channels)
    present = each > _LINE_SCORE
    kept = np.where(present, np.maximum(lines - floors, 0.0), 0.0)
    steady = 0.0
    if present.any():
        parts = np.array_split(piece, max(6, int(length_s / _PART_S)))
        wanted = numbers[present] * best
        levels = [float(_line_power(_weighed(part), wanted, rate_hz).sum()) for part in parts]
        steady = float(np.percentile(levels, 20)) / max(float(np.mean(levels)), 1e-30)
    return _Comb(best, kept, float(np.minimum(each, _LOUDEST_LINE).sum()), steady)


def find_hum(audio: NDArray[np.float64], *, rate_hz: float) -> Hum:
    """Find mains hum in audio without music: chain noise (best) or empty groove.

    Parameters
    ----------
    audio : (frames, channels), at least ``MINIMUM_LENGTH_S`` long, else nothing is found.
    rate_hz : its rate; 1000 Hz or more.

    Returns
    -------
    Hum
        Frequency good to 0.02 Hz on 2 s of hum that stands 10 dB out of the noise around its lines.
    """
    if audio.ndim != 2:
        raise ParameterError("hum-shape", dimensions=audio.ndim)
    if rate_hz < 1000.0:
        raise ParameterError("hum-rate", rate_hz=rate_hz)
    factor = low_factor(rate_hz, LOW_RATE_HZ)
    low = decimate(np.ascontiguousarray(audio, dtype=np.float64), factor) if factor > 1 else audio
    low_rate_hz = rate_hz / factor
    length_s = len(low) / low_rate_hz
    if length_s < MINIMUM_LENGTH_S:
        return Hum()
    pieces = np.array_split(low - low.mean(axis=0), max(1, int(length_s / _PIECE_S)))
    best = Hum()
    for mains_hz in MAINS_HZ:
        hum = _hum_of([_fit_comb(piece, low_rate_hz, mains_hz) for piece in pieces], mains_hz)
        if hum.score > best.score:
            best = hum
    return best


def _hum_of(combs: list[_Comb], mains_hz: float) -> Hum:
    """What the pieces of a sound agree on; nothing where less than half of them show a steady comb near ``mains_hz``."""
    good = [comb for comb in combs if comb.score > _SCORE_FLOOR and comb.steady > _STEADY]
    if not good or len(good) < 0.5 * len(combs):
        return Hum()
    frequency_hz = float(np.median([comb.frequency_hz for comb in good]))
    good = [comb for comb in good if abs(comb.frequency_hz - frequency_hz) < 0.1]
    power = np.median([comb.power for comb in good], axis=0)
    total = float(power.sum())
    at_edge = abs(frequency_hz - mains_hz) > 0.98 * MAINS_REACH_HZ
    if total <= 0.0 or at_edge:
        return Hum()
    return Hum(
        frequency_hz=frequency_hz,
        level_dbfs=power_to_db(total),
        harmonics=tuple((n + 1, power_to_db(float(p))) for n, p in enumerate(power) if p > 0.0),
        score=float(np.median([comb.score for comb in good])),
        share=len(good) / len(combs),
    )
