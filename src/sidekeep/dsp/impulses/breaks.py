"""Where sound does not go on as it did: a piece is missing, and both ends were laid together.

At some 2 kHz an autoregressive model of 24 terms tells the next sample from those before. Over a break no choice of the
samples in between makes both ends agree; over a tick the right choice does. So the prediction error of a window is projected on
what a run of ``UNKNOWN`` samples in its middle cannot account for, and the least over all windows about a place is its
score: 1 for what goes on, more where it breaks. The model of the half second before and that of the half second behind are both
asked, each by its own usual error there and by what the error is just beside the window, and the milder one counts: an attack
changes the sound behind it, a break does not.

Missing samples solved for by least squares: Janssen, Veldhuis and Vries 1986 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.noise.low_rate import HALF_WIDTH, low_pass

Floats = NDArray[np.float64]
LOW_RATE_HZ = 2000.0
"""Low enough that what a tick spoils is a few samples, high enough for the tones that a jump breaks off."""
ORDER = 24
"""Of the predictors: a dozen partials below 1 kHz."""
UNKNOWN = 24
"""Samples of the low rate, 12 ms: a tick is 16 wide after the low-pass."""
_BEFORE, _BEHIND = 40, 16
"""Samples on either side within which the least misfit counts: a break must be one wherever the unknown samples are laid."""
_MODEL = 800
_STEP = 200
"""A predictor is fitted to 0.4 s, some notes, and used for 0.1 s."""
_BESIDE = 65
"""Errors over 32 ms give the usual one there, by their median: a tick spoils less than half of it."""
_OF_SQUARES = 0.455
"""The median of squares of a normal variable of variance 1."""
_LEAST_POWER = 1e-18
"""Digital silence, where there is nothing to predict: -180 dB."""


def low_rate_factor(rate_hz: int) -> int:
    """By how much the rate is lowered."""
    return max(1, round(rate_hz / LOW_RATE_HZ))


def break_scores(audio: Floats, *, rate_hz: int) -> Floats:
    """A score for every ``low_rate_factor`` frames of ``audio`` (frames, channels): the mean over channels. 0 within half a
    second of either end, where nothing is known."""
    from scipy.signal import upfirdn

    factor = low_rate_factor(rate_hz)
    low = upfirdn(low_pass(factor), audio, 1, factor, axis=0)[HALF_WIDTH:]
    low = low[: max(0, len(audio) // factor)]
    if len(low) < 2 * _MODEL + _STEP + ORDER + UNKNOWN:
        return np.zeros(len(low))
    by_model = [
        np.mean([_misfit(low[:, channel], is_before) for channel in range(low.shape[1])], axis=0)
        for is_before in (True, False)
    ]
    misfit = np.minimum(*by_model)
    # Runs that begin from 40 samples before a break to 16 behind it all fail there; of those about a tick one holds it, or
    # does not reach it.
    least = np.lib.stride_tricks.sliding_window_view(misfit, _BEFORE + _BEHIND + 1).min(axis=1)
    return np.concatenate([np.zeros(_BEFORE), least, np.zeros(_BEHIND)])


def _misfit(signal: Floats, is_before: bool) -> Floats:
    """Per sample: what an unknown run from it on cannot account for, of what is usual."""
    from scipy.ndimage import median_filter
    from scipy.signal import lfilter

    count, width = len(signal), UNKNOWN + ORDER
    misfit, errors = np.zeros(count), np.zeros(count)
    for start in range(_MODEL, count - _MODEL - width - _STEP, _STEP):
        first = start - _MODEL if is_before else start + _STEP + UNKNOWN
        model, usual = _model(signal[first : first + _MODEL])
        error = lfilter(model, [1.0], signal[start - ORDER : start + _STEP + width])[ORDER:]
        windows = np.lib.stride_tricks.sliding_window_view(error, width)[:_STEP]
        misfit[start : start + _STEP] = ((windows @ _unaccounted(model)) ** 2).sum(axis=1) / (ORDER * usual)
        errors[start : start + _STEP] = error[:_STEP] ** 2 / usual
    beside = median_filter(errors, _BESIDE, mode="nearest") / _OF_SQUARES
    half = _BESIDE // 2
    index = np.arange(count)
    before = beside[np.maximum(index - half - ORDER, 0)]
    behind = beside[np.minimum(index + width + half, count - 1)]
    return misfit / np.maximum(np.maximum(before, behind), 1.0)


def _model(part: Floats) -> tuple[Floats, float]:
    """Prediction error filter of a part, and its usual squared error."""
    from scipy.linalg import solve_toeplitz
    from scipy.signal import fftconvolve, lfilter

    shaped = part * np.hanning(len(part))
    correlation = fftconvolve(shaped, shaped[::-1])[len(part) - 1 : len(part) + ORDER]
    if correlation[0] <= _LEAST_POWER:
        return np.concatenate([[1.0], np.zeros(ORDER)]), _LEAST_POWER
    correlation[0] *= 1.0 + 1e-7
    model = np.concatenate([[1.0], solve_toeplitz(correlation[:ORDER], -correlation[1:])])
    usual = float(np.median(lfilter(model, [1.0], part)[ORDER:] ** 2)) / _OF_SQUARES
    return model, max(usual, _LEAST_POWER)


def _unaccounted(model: Floats) -> Floats:
    """Orthonormal columns that span what a run of unknown samples has no part in."""
    reach = np.zeros((UNKNOWN + ORDER, UNKNOWN))
    for sample in range(UNKNOWN):
        reach[sample : sample + ORDER + 1, sample] = model
    return np.linalg.qr(reach, mode="complete")[0][:, UNKNOWN:]
