"""A recording read at positions between its samples: windowed-sinc interpolation.

Conventions: audio is (frames, channels) float64; positions are frames of the audio, fractional, any order; outside the
audio there is silence. 32 taps of a Kaiser window (beta 9): flat to 0.85 of half the rate within 0.001 dB. Nothing
here filters: a reading that goes faster than the audio was sampled needs content below the new half rate only.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]

HALF_TAPS = 16
PHASES = 2048
KAISER_BETA = 9.0
"""Flat to 0.85 of half the rate (see above); between 2048 phases the table goes straight, which errs by -130 dB at half the
rate."""


@cache
def sinc_table() -> Floats:
    """(PHASES + 1, 2 * HALF_TAPS) taps by phase; each row sums to one."""
    offsets = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)[np.newaxis, :]
    at = offsets - (np.arange(PHASES + 1) / PHASES)[:, np.newaxis]
    window = np.i0(KAISER_BETA * np.sqrt(np.clip(1.0 - (at / HALF_TAPS) ** 2, 0.0, None))) / np.i0(
        KAISER_BETA
    )
    table = np.sinc(at) * window
    return np.ascontiguousarray(table / table.sum(axis=1, keepdims=True))


@kernel
def _read(lines: Floats, positions: Floats, table: Floats, taps: Floats, out: Floats) -> None:
    half = table.shape[1] // 2
    phases = table.shape[0] - 1
    channels, length = lines.shape
    for n in range(positions.shape[0]):
        whole = int(np.floor(positions[n]))
        scaled = (positions[n] - whole) * phases
        row = min(int(scaled), phases - 1)
        mix = scaled - row
        for k in range(2 * half):
            taps[k] = table[row, k] + mix * (table[row + 1, k] - table[row, k])
        first = whole - half + 1
        if first >= 0 and first + 2 * half <= length:
            # whole rows of neighbours: nearly always, and twice as fast
            for channel in range(channels):
                total = 0.0
                for k in range(2 * half):
                    total += taps[k] * lines[channel, first + k]
                out[n, channel] = total
        else:
            for channel in range(channels):
                total = 0.0
                for k in range(max(0, -first), min(2 * half, length - first)):
                    total += taps[k] * lines[channel, first + k]
                out[n, channel] = total


def read_at(audio: Floats, positions: Floats) -> Floats:
    """The audio (frames, channels) at fractional ``positions`` (m,): (m, channels)."""
    out = np.zeros((len(positions), audio.shape[1]))
    table = sinc_table()
    lines = np.ascontiguousarray(audio.T, np.float64)
    _read(lines, np.ascontiguousarray(positions, np.float64), table, np.zeros(2 * HALF_TAPS), out)
    return out
