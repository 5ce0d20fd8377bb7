"""The low end of a take at a low rate: the shared ground of hum, rumble, sway and thumps.

Conventions: audio is (frames, channels) float64, full scale +-1.0. A low-rate series is the audio
through a linear-phase low-pass and decimated by a whole factor; its sample ``k`` stands for frame
``k * factor`` of the audio (no delay), so times need no correction. The pass band reaches 0.35 of
the low rate.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel
from sidekeep.errors import ParameterError

HALF_WIDTH = 8
"""Half length of the low-pass, in low-rate samples."""
_CUTOFF = 0.42
"""Its -6 dB point, in low rates; -80 dB is reached at 0.56, so at most the top 0.06 folds back."""
_KAISER_BETA = 7.9
"""80 dB by Kaiser's formula, 0.1102 (80 - 8.7)."""


@lru_cache(maxsize=16)
def low_pass(factor: int, half_width: int = HALF_WIDTH) -> NDArray[np.float64]:
    """Taps of the decimating low-pass: windowed sinc, odd, symmetric, unity at 0 Hz.

    ``half_width`` is its half length in low-rate samples; a short one is for a first step down, when only what
    folds onto the lowest frequencies matters.
    """
    if factor < 1:
        raise ParameterError("low-rate-factor", factor=factor)
    if factor == 1:
        taps = np.ones(1)
        taps.setflags(write=False)
        return taps
    half = half_width * factor
    n = np.arange(-half, half + 1)
    taps = np.sinc(2.0 * _CUTOFF * n / factor) * np.kaiser(2 * half + 1, _KAISER_BETA)
    taps /= taps.sum()
    taps.setflags(write=False)
    return taps


@kernel
def _fast_decimate(audio, taps, factor, out):  # type: ignore[no-untyped-def]
    for k in range(out.shape[0]):
        for c in range(out.shape[1]):
            total, seen = 0.0, audio[c, k * factor :]
            for i in range(taps.shape[0]):
                total += taps[i] * seen[i]
            out[k, c] = total


class Decimator:
    """Streaming low-pass and decimation: ``process`` blocks, then ``flush``; blocks equal the whole.

    Output ``k`` is centred on input frame ``k * factor``; input before the first and after the last
    frame counts as silence. ``ceil(length / factor)`` samples come out in all.
    """

    def __init__(self, factor: int, channels: int, half_width: int = HALF_WIDTH) -> None:
        self.factor = factor
        self._taps = low_pass(factor, half_width)
        self._half = len(self._taps) // 2
        self._held = np.zeros((channels, self._half))

    def process(self, block: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n, channels) in, (m, channels) out."""
        held = np.ascontiguousarray(np.concatenate((self._held, block.T), axis=1))
        count = max(0, (held.shape[1] - len(self._taps)) // self.factor + 1)
        out = np.empty((count, held.shape[0]))
        _fast_decimate(held, self._taps, self.factor, out)
        self._held = held[:, count * self.factor :]
        return out

    def flush(self) -> NDArray[np.float64]:
        """What is still due once the input has ended."""
        return self.process(np.zeros((self._half, self._held.shape[0])))


def decimate(audio: NDArray[np.float64], factor: int, half_width: int = HALF_WIDTH) -> NDArray[np.float64]:
    """The whole of (frames, channels) at 1/factor of its rate: (ceil(frames / factor), channels)."""
    taps = low_pass(factor, half_width)
    half = len(taps) // 2
    held = np.empty((audio.shape[1], len(audio) + 2 * half))
    held[:, :half] = held[:, half + len(audio) :] = 0.0
    held[:, half : half + len(audio)] = audio.T
    out = np.empty((-(-len(audio) // factor), audio.shape[1]))
    _fast_decimate(held, taps, factor, out)
    return out


def low_factor(rate_hz: float, low_rate_hz: float) -> int:
    """The whole factor that brings ``rate_hz`` nearest to, and not below, ``low_rate_hz``."""
    return max(1, int(rate_hz / low_rate_hz))
