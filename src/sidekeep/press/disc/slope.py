"""The local slope of music: what an order-32 linear predictor of each short stretch leaves over.

Autocorrelation method on Hann-windowed stretches, Levinson's recursion for all stretches at once (Makhoul,
"Linear prediction: a tutorial review", Proc. IEEE 63(4), 1975; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SLOPE_ORDER = 32


def stretch_frames(rate_hz: int) -> int:
    """A power of two, 43-46 ms at the usual rates."""
    return 2048 if rate_hz <= 50_000 else 4096 if rate_hz <= 100_000 else 8192


def local_slope(audio: Floats, rate_hz: int, stretches: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Predictors (stretches, channels, SLOPE_ORDER + 1), first tap 1, and residual rms (stretches, channels).

    ``audio`` (frames, channels) is taken as consecutive stretches, of which those numbered in ``stretches``
    are done.
    """
    size = stretch_frames(rate_hz)
    padded = np.zeros((-(-len(audio) // size) * size, audio.shape[1]))
    padded[: len(audio)] = audio
    wanted = padded.reshape(-1, size, audio.shape[1])[stretches].transpose(0, 2, 1)
    window = np.hanning(size)
    spectrum = np.fft.rfft(wanted * window, 2 * size, axis=2)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2, axis=2)[..., : SLOPE_ORDER + 1] / np.sum(window**2)
    correlation[..., 0] = correlation[..., 0] * (1.0 + 1e-9) + 1e-14
    taps = np.zeros_like(correlation)
    taps[..., 0] = 1.0
    error = correlation[..., 0].copy()
    for order in range(1, SLOPE_ORDER + 1):
        reflection = -np.sum(taps[..., :order] * correlation[..., order:0:-1], axis=2) / error
        taps[..., 1 : order + 1] += reflection[..., np.newaxis] * taps[..., order - 1 :: -1]
        error = error * (1.0 - reflection**2)
    return taps, np.sqrt(np.maximum(error, 1e-20))
