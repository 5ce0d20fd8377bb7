"""What features of a side are made of, frame by frame: a low rate, mid and side, the outline and the impulse of every hop."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

_STRETCH = 1024
"""Frames decimated at a time: what is at work stays in the processor's nearest memory."""


def low_pass(taps: int, cutoff: float) -> NDArray[np.float64]:
    """Windowed-sinc low-pass, cutoff as a share of the sampling rate."""
    k = np.arange(taps) - (taps - 1) / 2
    h = 2 * cutoff * np.sinc(2 * cutoff * k) * np.hamming(taps)
    return h / h.sum()


@kernel
def decimate(x: NDArray[np.float64], h: NDArray[np.float64], factor: int, out: NDArray[np.float64]) -> None:
    """Every ``factor``-th frame of ``x`` put next to its like, each tap is one long multiply-and-add."""
    taps = h.shape[0]
    reach = (taps - 1) // factor
    line = np.empty(_STRETCH + reach)
    total = np.empty(_STRETCH)
    for first in range(0, out.shape[0], _STRETCH):
        count = min(_STRETCH, out.shape[0] - first)
        for c in range(out.shape[1]):
            total[:] = 0.0
            for phase in range(min(factor, taps)):
                last = (taps - 1 - phase) // factor
                for k in range(count + last):
                    line[k] = x[(first + k) * factor + phase, c]
                for j in range(last + 1):
                    tap = h[phase + j * factor]
                    for k in range(count):
                        total[k] += tap * line[k + j]
            for k in range(count):
                out[first + k, c] = total[k]


@kernel
def mid_side(x: NDArray[np.float64], out: NDArray[np.float64]) -> None:
    for k in range(x.shape[0]):
        if x.shape[1] == 1:
            out[k, 0] = x[k, 0]
            out[k, 1] = 0.0
        else:
            out[k, 0] = 0.5 * (x[k, 0] + x[k, 1])
            out[k, 1] = 0.5 * (x[k, 0] - x[k, 1])


@kernel
def hop_outline(
    x: NDArray[np.float64],
    hop: int,
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    power: NDArray[np.float64],
) -> None:
    """Two halves of a hop side by side: each comparison would wait for the one before it. ``hop`` is even."""
    half = hop // 2
    for k in range(power.shape[0]):
        for c in range(x.shape[1]):
            smallest = largest = x[k * hop, c]
            smallest_b = largest_b = x[k * hop + half, c]
            total = 0.0
            for j in range(k * hop, k * hop + half):
                value = x[j, c]
                value_b = x[j + half, c]
                smallest = min(smallest, value)
                largest = max(largest, value)
                smallest_b = min(smallest_b, value_b)
                largest_b = max(largest_b, value_b)
                total += value * value + value_b * value_b
            low[k, c] = min(smallest, smallest_b)
            high[k, c] = max(largest, largest_b)
            power[k, c] = total / hop


@kernel
def hop_impulse(x: NDArray[np.float64], hop: int, subs: int, out: NDArray[np.float64]) -> None:
    """Largest |second difference| of mid or side in a hop over the median of the parts' means. The first two
    frames of ``x`` are those before the first hop."""
    part = hop // subs
    means = np.zeros(subs)
    for k in range(out.shape[0]):
        best = 0.0
        for c in range(2):
            top = 0.0
            for s in range(subs):
                total = 0.0
                for j in range(k * hop + s * part + 2, k * hop + (s + 1) * part + 2):
                    value = abs(x[j, c] - 2.0 * x[j - 1, c] + x[j - 2, c])
                    total += value
                    top = max(top, value)
                means[s] = total / part
            ordered = np.sort(means)
            middle = 0.5 * (ordered[subs // 2 - 1] + ordered[subs // 2])
            if middle > 1e-9:
                best = max(best, top / middle)
        out[k] = best


class HopDecimator:
    """Keeps the filter's past between blocks."""

    def __init__(self, factor: int, taps: int, channels: int) -> None:
        self._factor = factor
        self._h = low_pass(taps, 0.42 / factor)
        self._past = np.zeros((taps // 2, channels))

    def process(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Decimate what is complete; the rest waits."""
        x = np.concatenate([self._past, x])
        count = max(0, (len(x) - len(self._h)) // self._factor + 1)
        out = np.empty((count, x.shape[1]))
        decimate(x, self._h, self._factor, out)
        self._past = x[count * self._factor :].copy()
        return out
