"""True peak: the highest point of the sound between the samples (ITU-R BS.1770-5 Annex 2), in dBTP.

Audio is (frames, channels), float64, full scale +-1.0. Peaks are linear; ``units.gain_to_db`` gives dBTP.
A polyphase interpolator of 48 taps a phase reads 4 points per frame from 88.2 kHz up and 8 below, the
samples themselves among them. It is flat within 0.012 dB to 0.45 of the rate, where the 12-tap filter
printed in Annex 2 strays from -0.42 to +0.22 dB; what is left is the grid's own under-read,
``-20 log10 cos(pi f / (factor rate))``.

Speed without loss: every phase keeps straight lines straight, so between two samples the interpolated sound
can leave the line joining them by no more than ``curve_norm * max|second difference|`` nearby. Stretches
whose bound cannot pass the peak already found are not interpolated; the answer is the same.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import Rows, WindowMeter
from sidekeep.dsp.kernel import kernel
from sidekeep.errors import ParameterError

TAPS = 48
_BETA = 6.0
"""Flat within 0.012 dB to 0.45 of the rate (see above); a test holds it."""
_STRETCH = 32
"""Frames judged at once; at least half the taps, so that a stretch depends on its neighbours only."""


def interpolation_bank(factor: int, taps: int = TAPS) -> NDArray[np.float64]:
    """Filters for the points ``p / factor`` after a frame, p = 1..factor-1; shape (factor - 1, taps).

    Kaiser-windowed sinc; the two middle taps are trimmed so that the sum is exactly 1 and the centre of
    gravity exactly at the point: constants and straight lines pass unchanged.
    """
    if factor < 2 or taps % 2 or not 8 <= taps <= 2 * _STRETCH:
        raise ParameterError("true-peak-filter", factor=factor, taps=taps, most=2 * _STRETCH)
    place = np.arange(taps) - (taps // 2 - 1)
    bank = np.zeros((factor - 1, taps))
    for phase in range(1, factor):
        point = phase / factor
        away = place - point
        window = np.i0(_BETA * np.sqrt(np.maximum(0.0, 1.0 - (away / (taps / 2)) ** 2))) / np.i0(_BETA)
        row = np.sinc(away) * window
        middle = taps // 2 - 1
        missing_sum, missing_moment = 1.0 - row.sum(), point - (row * place).sum()
        row[middle] += missing_sum - missing_moment
        row[middle + 1] += missing_moment
        bank[phase - 1] = row
    return bank


def curve_norm(bank: NDArray[np.float64]) -> float:
    """How far a phase can leave the straight line between its two samples, per unit of the largest second
    difference under the filter: L1 norm of the phase's doubly summed difference from that line."""
    taps = bank.shape[1]
    middle = taps // 2 - 1
    worst = 0.0
    for row in bank:
        point = float((row * (np.arange(taps) - middle)).sum())
        rest = row.copy()
        rest[middle] -= 1.0 - point
        rest[middle + 1] -= point
        worst = max(worst, float(np.abs(np.cumsum(np.cumsum(rest))).sum()))
    return worst * (1.0 + 1e-9)


@kernel
def _fast_peak(line, before, count, bank, norm, stretch, least):  # type: ignore[no-untyped-def]
    """Peak of one window of one channel, or ``least`` if that is higher. ``line`` has taps/2-1 frames before
    and taps/2 after."""
    taps = bank.shape[1]
    stretches = (count + stretch - 1) // stretch
    high = np.zeros(stretches)
    curve = np.zeros(stretches + 2)
    peak = least
    first = 0
    for index in range(stretches):
        start = before + index * stretch
        stop = min(start + stretch, before + count)
        # Four at a time: a chain of single comparisons would wait for each of its links.
        top_a = top_b = top_c = top_d = 0.0
        bend_a = bend_b = bend_c = bend_d = 0.0
        n = start
        step = line[n] - line[n - 1]
        while n + 4 <= stop:
            step_a = line[n + 1] - line[n]
            step_b = line[n + 2] - line[n + 1]
            step_c = line[n + 3] - line[n + 2]
            step_d = line[n + 4] - line[n + 3]
            top_a = max(top_a, abs(line[n]))
            top_b = max(top_b, abs(line[n + 1]))
            top_c = max(top_c, abs(line[n + 2]))
            top_d = max(top_d, abs(line[n + 3]))
            bend_a = max(bend_a, abs(step_a - step))
            bend_b = max(bend_b, abs(step_b - step_a))
            bend_c = max(bend_c, abs(step_c - step_b))
            bend_d = max(bend_d, abs(step_d - step_c))
            step = step_d
            n += 4
        while n < stop:
            step_a = line[n + 1] - line[n]
            top_a = max(top_a, abs(line[n]))
            bend_a = max(bend_a, abs(step_a - step))
            step = step_a
            n += 1
        top = max(max(top_a, top_b), max(top_c, top_d))
        bend = max(max(bend_a, bend_b), max(bend_c, bend_d))
        if top > peak:
            peak = top
            first = index
        high[index] = max(top, abs(line[stop]))
        curve[index + 1] = bend
    for n in range(1, before):
        second = abs((line[n + 1] - line[n]) - (line[n] - line[n - 1]))
        if second > curve[0]:
            curve[0] = second
    for n in range(before + count, line.shape[0] - 1):
        second = abs((line[n + 1] - line[n]) - (line[n] - line[n - 1]))
        if second > curve[stretches + 1]:
            curve[stretches + 1] = second
    for visit in range(-1, stretches):
        index = first if visit < 0 else visit
        bend = max(curve[index], curve[index + 1], curve[index + 2])
        if high[index] + norm * bend <= peak:
            continue
        start = before + index * stretch
        stop = min(start + stretch, before + count)
        for phase in range(bank.shape[0]):
            row = bank[phase]
            for n in range(start, stop):
                total = 0.0
                at = n - taps // 2 + 1
                for tap in range(taps):
                    total += row[tap] * line[at + tap]
                value = abs(total)
                if value > peak:
                    peak = value
    return peak


def peak_factor(rate_hz: int) -> int:
    """Points per frame: 4 from 88.2 kHz up, 8 below."""
    return 4 if rate_hz >= 80000 else 8


@cache
def _filters(factor: int) -> tuple[NDArray[np.float64], float]:
    """The bank for so many points per frame, and its norm: worked out once, meters come and go."""
    bank = interpolation_bank(factor)
    return bank, curve_norm(bank)


class TruePeakMeter(WindowMeter):
    """Keeps the true peak of every 100 ms and channel.

    A point belongs to the window of the frame before it. With ``only_highest`` just the highest of all is
    wanted: the same answer for a fraction of the work, because hardly a stretch can still pass it; from ``least`` on,
    where lower ones are of no interest.
    """

    before = TAPS // 2 - 1
    after = TAPS // 2

    def __init__(
        self, rate_hz: int, channels: int, *, only_highest: bool = False, least: float = 0.0
    ) -> None:
        super().__init__(rate_hz, channels)
        self._only_highest = only_highest
        self._highest = least
        self._bank, self._norm = _filters(peak_factor(rate_hz))
        self._rows = Rows(channels)

    def window(self, frames: NDArray[np.float64], count: int) -> None:
        """One window with its context. A short last window is judged with the silence that follows it."""
        lines = frames.T
        row = None if self._only_highest else self._rows.add()
        for channel in range(self.channels):
            least = self._highest if row is None else 0.0
            peak = _fast_peak(
                lines[channel], self.before, self.window_frames, self._bank, self._norm, _STRETCH, least
            )
            self._highest = max(self._highest, peak)
            if row is not None:
                row[channel] = peak

    @property
    def peaks(self) -> NDArray[np.float64]:
        """Linear true peak per 100 ms and channel, shape (windows, channels); none with ``only_highest``."""
        return self._rows.values

    @property
    def peak(self) -> float:
        """Highest so far, linear."""
        return float(self._highest)


def measure_true_peak(audio: NDArray[np.float64], *, rate_hz: int, least: float = 0.0) -> float:
    """Linear true peak of a whole (frames, channels) array, or ``least`` where that is higher."""
    meter = TruePeakMeter(rate_hz, audio.shape[1], only_highest=True, least=least)
    meter.process(audio)
    meter.finish()
    return meter.peak


def true_peak_of_piece(audio: NDArray[np.float64], *, rate_hz: int, least: float = 0.0) -> float:
    """The same of a piece (frames, channels) out of the middle of a longer sound: its frames, and the points between them whose
    neighbours all lie within it. Taken for silence, what is not there would ring as a cut does and read up to 1.2 dB too much."""
    peak = max(least, float(np.abs(audio).max(initial=0.0)))
    before, count = TruePeakMeter.before, len(audio) - TAPS + 1
    bank, norm = _filters(peak_factor(rate_hz))
    for line in np.ascontiguousarray(audio.T) if count > 0 else ():
        peak = max(peak, _fast_peak(line, before, count, bank, norm, _STRETCH, peak))
    return float(peak)
