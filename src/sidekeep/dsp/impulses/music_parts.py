"""The music round a span, as parts that are predicted each by itself.

Conventions: planes are (channels, frames), one or two channels. Two channels are rotated by an angle into two parts, the channels
themselves or their sum and difference, whichever leaves least to predict: a pulse on one wall is then seen against what the other
wall cannot explain, and a vertical one against the difference, where a record has little music. One channel is one part.
"""

from __future__ import annotations

import math

import numpy as np

from sidekeep.dsp.impulses.autoregression import Matrix, Vector, autocorrelate, correlate_walls, levinson
from sidekeep.dsp.kernel import inner_kernel


@inner_kernel
def half_window(context: int) -> Vector:
    """Weights of the frames 0, 1, ... ``context`` away from a span: the falling half of a Hann window."""
    fade = np.empty(context + 1)
    for i in range(context + 1):
        fade[i] = 0.5 + 0.5 * math.cos(math.pi * i / (context + 1))
    return fade


@inner_kernel
def split_music(
    working: Matrix,
    start: int,
    stop: int,
    fade: Vector,
    order: int,
    correlations: Matrix,
    models: Matrix,
    powers: Vector,
) -> tuple[float, float, float]:
    """The music around ``[start, stop)``, rotated into the two parts that leave least to predict.

    ``fade`` are the weights of ``half_window``, one for each frame of context. Fills each part's windowed
    correlations, predictor and innovation power, all of the frames outside; gives the cosine and sine of the rotation and
    the sum of the squared weights outside. One channel is one part.
    """
    channels = working.shape[0]
    low = max(0, start - fade.shape[0] + 1)
    high = min(working.shape[1], stop + fade.shape[0] - 1)
    n, before, after = high - low, start - low, high - stop
    plain, falling = np.empty((channels, n)), fade[1:]
    for channel in range(channels):
        seen, line = working[channel, low:start], plain[channel]
        for i in range(before):
            line[i] = seen[i] * fade[np.uint64(before - i)]
        for i in range(before, n - after):
            line[i] = 0.0
        seen, line = working[channel, stop:high], plain[channel, n - after :]
        for i in range(after):
            line[i] = seen[i] * falling[i]
    share = 0.0
    for i in range(before):
        share += falling[i] * falling[i]
    for i in range(after):
        share += falling[i] * falling[i]
    # the channels themselves, and behind them their sum and difference; angles in between were tried and gained nothing
    ways = 1 if channels == 1 else 4
    trials, found, told = np.empty((ways, order + 1)), np.empty((ways, order + 1)), np.empty(ways)
    scratch, side = np.empty(2 * order + 2), math.sqrt(0.5)
    if channels == 1:
        autocorrelate(plain[0], order, trials[0])
    else:
        correlate_walls(plain[0], plain[1], order, trials)
        for k in range(order + 1):
            trials[2, k] *= 0.5
            trials[3, k] = trials[0, k] + trials[1, k] - trials[2, k]
    for way in range(ways):
        trials[way, 0] += n * 1e-12
        told[way] = levinson(trials[way], order, found[way], scratch)
    is_turned = ways == 4 and told[2] * told[3] < told[0] * told[1] * (1.0 - 1e-9)
    first = 2 if is_turned else 0
    for part in range(channels):
        powers[part] = told[first + part]
        for k in range(order + 1):
            correlations[part, k] = trials[first + part, k]
            models[part, k] = found[first + part, k]
    return (side, side, share) if is_turned else (1.0, 0.0, share)


@inner_kernel
def rotated(cosine: float, sine: float, left: float, right: float) -> tuple[float, float]:
    """A pair of the two channels as a pair of the two parts; with the sine negated, the way back."""
    return cosine * left + sine * right, cosine * right - sine * left
