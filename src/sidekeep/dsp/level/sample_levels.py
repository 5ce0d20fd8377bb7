"""Sample peak, rms, offset, balance and correlation of the channels, one row per 100 ms.

Audio is (frames, channels), float64, full scale +-1.0. ``rms_dbfs`` is plain 20 log10(rms): a full-scale
sine reads -3.01. Sums are plain sums of samples, so that any choice of windows can be added up afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import Rows, WindowMeter
from sidekeep.dsp.kernel import kernel
from sidekeep.units import power_to_db


@dataclass(frozen=True, kw_only=True)
class LevelSums:
    """Added up over some windows. ``dc`` is the linear mean per channel, ``power`` the mean square with the
    offset taken out, ``peak`` the largest sample; ``correlation`` that of the first two channels."""

    frames: int
    dc: NDArray[np.float64]
    power: NDArray[np.float64]
    peak: NDArray[np.float64]
    correlation: float
    side_to_mid_db: float
    equal_share: float

    @property
    def balance_db(self) -> float:
        """Left minus right rms; 0 for mono or when a channel is silent throughout."""
        if len(self.power) < 2 or self.power[0] <= 0.0 or self.power[1] <= 0.0:
            return 0.0
        return power_to_db(float(self.power[0])) - power_to_db(float(self.power[1]))


@kernel
def _fast_sums(line):  # type: ignore[no-untyped-def]
    """Sum and sum of squares."""
    total = 0.0
    square = 0.0
    for n in range(line.shape[0]):
        value = line[n]
        total += value
        square += value * value
    return total, square


@kernel
def _fast_correlation(one, other):  # type: ignore[no-untyped-def]
    """Sum of products and number of equal samples."""
    cross = 0.0
    equal = 0
    for n in range(one.shape[0]):
        cross += one[n] * other[n]
        equal += one[n] == other[n]
    return cross, equal


@kernel
def _fast_windows(frames, window, powers, means, slopes):  # type: ignore[no-untyped-def]
    channels = frames.shape[1]
    for index in range(powers.shape[0]):
        first = index * window
        slope = 0.0
        for channel in range(channels):
            total = 0.0
            square = 0.0
            for n in range(first, first + window):
                value = frames[n, channel]
                total += value
                square += value * value
            for n in range(first + 1, first + window):
                step = frames[n, channel] - frames[n - 1, channel]
                slope += step * step
            means[index, channel] = total / window
            powers[index, channel] = square / window
        slopes[index] = slope / ((window - 1) * channels)


@kernel
def _fast_vanish(samples):  # type: ignore[no-untyped-def]
    total = 0.0
    for n in range(samples.shape[0]):
        total += samples[n] * 0.0
    return total


def all_numbers(block: NDArray[np.float64]) -> bool:
    """Whether every sample of (frames, channels) is a finite number."""
    # Nought times a number is nought; times anything else it is not.
    return bool(_fast_vanish(np.ascontiguousarray(block, np.float64).reshape(-1)) == 0.0)


@dataclass(frozen=True)
class WindowMeans:
    """Means over windows: ``power`` and ``mean`` (windows, channels) and ``slope``, the mean square of the step from frame to
    frame over all channels (windows,)."""

    power: NDArray[np.float64]
    mean: NDArray[np.float64]
    slope: NDArray[np.float64]


def window_means(frames: NDArray[np.float64], window: int) -> WindowMeans:
    """Means over each of the whole windows of ``window`` frames (2 or more) in (frames, channels)."""
    count, channels = len(frames) // window, frames.shape[1]
    means = WindowMeans(np.empty((count, channels)), np.empty((count, channels)), np.empty(count))
    _fast_windows(np.ascontiguousarray(frames), window, means.power, means.mean, means.slope)
    return means


class SampleMeter(WindowMeter):
    """Keeps sums, extremes and the cross product of every 100 ms."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        super().__init__(rate_hz, channels)
        self._rows = Rows(3 + 4 * channels)

    def window(self, frames: NDArray[np.float64], count: int) -> None:
        """One window. Its row: frames, cross product, equal frames, then per channel sum, square sum,
        highest, lowest."""
        lines = frames.T
        row = self._rows.add()
        row[0] = count
        if self.channels >= 2:
            row[1:3] = _fast_correlation(lines[0][:count], lines[1][:count])
        for channel in range(self.channels):
            line = lines[channel][:count]
            at = 3 + 4 * channel
            row[at : at + 2] = _fast_sums(line)
            row[at + 2 : at + 4] = line.max(), line.min()

    def __len__(self) -> int:
        return len(self._rows)

    @property
    def frames(self) -> int:
        """Frames seen so far."""
        return int(self._rows.values[:, 0].sum())

    @property
    def high(self) -> NDArray[np.float64]:
        """Highest sample per window and channel."""
        return self._rows.values[:, 5::4]

    @property
    def low(self) -> NDArray[np.float64]:
        """Lowest sample per window and channel."""
        return self._rows.values[:, 6::4]

    @property
    def peaks(self) -> NDArray[np.float64]:
        """Largest sample, either way, per window and channel."""
        return np.maximum(self.high, -self.low)

    @property
    def mean_squares(self) -> NDArray[np.float64]:
        """Mean square per window and channel, offset included."""
        values = self._rows.values
        return values[:, 4::4] / np.maximum(values[:, :1], 1.0)

    def sums(self, chosen: NDArray[np.bool_] | None = None) -> LevelSums:
        """Added up over the chosen windows (all without a choice)."""
        values = self._rows.values if chosen is None else self._rows.values[chosen]
        total = values.sum(axis=0)
        frames = max(total[0], 1.0)
        dc = total[3::4] / frames
        square = total[4::4] / frames
        power = np.maximum(square - dc * dc, 0.0)
        # A constant leaves rounding behind; it is no sound.
        power[power < 1e-14 * square] = 0.0
        peaks = self.peaks if chosen is None else self.peaks[chosen]
        correlation, side_to_mid_db = 0.0, 0.0
        if self.channels >= 2:
            cross = total[1] / frames - dc[0] * dc[1]
            scale = float(np.sqrt(power[0] * power[1]))
            correlation = float(np.clip(cross / scale, -1.0, 1.0)) if scale > 0.0 else 0.0
            both = float(power[0] + power[1])
            side_to_mid_db = power_to_db(max(0.0, both - 2.0 * cross)) - power_to_db(
                max(0.0, both + 2.0 * cross)
            )
        return LevelSums(
            frames=int(total[0]),
            dc=dc,
            power=power,
            peak=peaks.max(axis=0, initial=0.0),
            correlation=correlation,
            side_to_mid_db=side_to_mid_db,
            equal_share=float(total[2] / frames),
        )
