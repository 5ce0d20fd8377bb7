"""Programme loudness by ITU-R BS.1770-5 and loudness range by EBU Tech 3342, block by block.

Audio is (frames, channels), float64, full scale +-1.0. Powers are mean squares of the K-weighted sound,
summed over the channels with their weights, one number per 100 ms (the gating hop); loudness is
``-0.691 + 10 log10(power)`` in LUFS. A one-channel file counts once: it reads 3.01 LU less than the same
sound stored twice, as the Recommendation has it.

Sources: ITU-R BS.1770-5 Annex 1 (the filters are made for any rate from the analogue prototypes that give
its 48 kHz tables); EBU Tech 3341 (400 ms and 3 s readings); EBU Tech 3342 (range).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import Rows, WindowMeter
from sidekeep.dsp.kernel import kernel
from sidekeep.errors import ParameterError
from sidekeep.units import MINIMUM_DB

OFFSET_LUFS = -0.691
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
"""The constant of the formula and both gates: ITU-R BS.1770-5; the gate of the range: EBU Tech 3342."""
MOMENTARY_WINDOWS = 4
SHORT_TERM_WINDOWS = 30
"""400 ms and 3 s in windows of 100 ms (EBU Tech 3341)."""
_TICKS = 10
"""Readings are polled every 10 ms: ten ticks in a window."""


@dataclass(frozen=True, kw_only=True)
class Loudness:
    """What a span of programme measures; silence reads ``MINIMUM_DB`` and a range of 0."""

    integrated_lufs: float
    range_lu: float
    max_momentary_lufs: float
    max_short_term_lufs: float


def k_weighting(rate_hz: int) -> NDArray[np.float64]:
    """The two stages at any rate, as second-order sections, shape (2, 6) ``b0 b1 b2 a0 a1 a2``.

    Bilinear transform of the prototypes: a high shelf of +4 dB at 1682 Hz and a high-pass at 38 Hz whose
    numerator is exactly 1, -2, 1.
    """
    if rate_hz < 8000:
        raise ParameterError("loudness-rate", rate_hz=rate_hz)
    k = math.tan(math.pi * 1681.974450955533 / rate_hz)
    q = 0.7071752369554196
    high = 10.0 ** (3.999843853973347 / 20.0)
    band = high**0.4996667741545416
    a0 = 1.0 + k / q + k * k
    shelf = [
        (high + band * k / q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - band * k / q + k * k) / a0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / q + k * k) / a0,
    ]
    k = math.tan(math.pi * 38.13547087602444 / rate_hz)
    q = 0.5003270373238773
    a0 = 1.0 + k / q + k * k
    high_pass = [1.0, -2.0, 1.0, 1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0]
    return np.array([shelf, high_pass])


def channel_weights(channels: int) -> NDArray[np.float64]:
    """BS.1770 weights in the usual file order: L R C Ls Rs, or L R C LFE Ls Rs (LFE does not count)."""
    if channels == 5:
        return np.array([1.0, 1.0, 1.0, 1.41, 1.41])
    if channels == 6:
        return np.array([1.0, 1.0, 1.0, 0.0, 1.41, 1.41])
    return np.ones(channels)


@kernel
def _fast_weigh(one, other, count, ticks, sections, state, sums):  # type: ignore[no-untyped-def]
    """K-weight one window of two channels and add up squares per tick: sums (ticks, 2); state (2, 4).

    Each sample waits for the one before it: two channels at once take hardly longer than one.
    """
    b0, b1, b2, a1, a2 = sections[0, 0], sections[0, 1], sections[0, 2], sections[0, 4], sections[0, 5]
    c1, c2 = sections[1, 4], sections[1, 5]
    s1, s2, t1, t2 = state[0, 0], state[0, 1], state[0, 2], state[0, 3]
    u1, u2, v1, v2 = state[1, 0], state[1, 1], state[1, 2], state[1, 3]
    for tick in range(ticks):
        total_one = 0.0
        total_other = 0.0
        stop = min((tick + 1) * one.shape[0] // ticks, count)
        for frame in range(tick * one.shape[0] // ticks, stop):
            x = one[frame]
            p = other[frame]
            y = b0 * x + s1
            q = b0 * p + u1
            s1 = b1 * x - a1 * y + s2
            u1 = b1 * p - a1 * q + u2
            s2 = b2 * x - a2 * y
            u2 = b2 * p - a2 * q
            z = y + t1
            r = q + v1
            t1 = -2.0 * y - c1 * z + t2
            v1 = -2.0 * q - c1 * r + v2
            t2 = y - c2 * z
            v2 = q - c2 * r
            total_one += z * z
            total_other += r * r
        sums[tick, 0] = total_one
        sums[tick, 1] = total_other
    # Denormal numbers are slow, and far below hearing.
    if abs(s1) + abs(s2) + abs(t1) + abs(t2) < 1e-30:
        s1 = s2 = t1 = t2 = 0.0
    if abs(u1) + abs(u2) + abs(v1) + abs(v2) < 1e-30:
        u1 = u2 = v1 = v2 = 0.0
    state[0, 0], state[0, 1], state[0, 2], state[0, 3] = s1, s2, t1, t2
    state[1, 0], state[1, 1], state[1, 2], state[1, 3] = u1, u2, v1, v2


class LoudnessMeter(WindowMeter):
    """Keeps one power per 100 ms and, with ``polls``, the momentary and short-term readings at 10 ms polling."""

    def __init__(
        self,
        rate_hz: int,
        channels: int,
        *,
        weights: NDArray[np.float64] | None = None,
        polls: bool = True,
    ) -> None:
        super().__init__(rate_hz, channels)
        self._polls = polls
        self._sections = k_weighting(rate_hz)
        self._weights = channel_weights(channels) if weights is None else np.asarray(weights, np.float64)
        if self._weights.shape != (channels,):
            raise ParameterError("loudness-weights", shape=self._weights.shape, channels=channels)
        pairs = -(-channels // 2)
        self._state = np.zeros((pairs, 2, 4))
        self._sums = np.zeros((pairs, _TICKS, 2))
        self._powers = Rows(1)
        self._recent = np.zeros(0)
        self.max_momentary_lufs = MINIMUM_DB
        self.max_short_term_lufs = MINIMUM_DB
        self.momentary_lufs = MINIMUM_DB
        self.short_term_lufs = MINIMUM_DB

    def window(self, frames: NDArray[np.float64], count: int) -> None:
        """One window; an incomplete one at the end does not count (BS.1770: whole blocks only)."""
        lines = frames.T
        for pair in range(len(self._state)):
            one, other = lines[2 * pair], lines[min(2 * pair + 1, self.channels - 1)]
            _fast_weigh(one, other, count, _TICKS, self._sections, self._state[pair], self._sums[pair])
        if count < self.window_frames:
            return
        ticks = np.hstack(tuple(self._sums))[:, : self.channels] @ self._weights
        self._powers.add()[0] = ticks.sum() / self.window_frames
        if self._polls:
            self._poll_all(ticks)

    def _poll_all(self, ticks: NDArray[np.float64]) -> None:
        self._recent = np.concatenate((self._recent[-(SHORT_TERM_WINDOWS * _TICKS - 1) :], ticks))
        self.momentary_lufs, self.max_momentary_lufs = self._poll(MOMENTARY_WINDOWS, self.max_momentary_lufs)
        self.short_term_lufs, self.max_short_term_lufs = self._poll(
            SHORT_TERM_WINDOWS, self.max_short_term_lufs
        )

    def _poll(self, windows: int, highest: float) -> tuple[float, float]:
        """Reading at the last tick, and the highest of this window's ticks and all before."""
        span = windows * _TICKS
        held = self._recent[-(span + _TICKS - 1) :]
        if len(held) < span:
            return MINIMUM_DB, highest
        sums = np.lib.stride_tricks.sliding_window_view(held, span).sum(axis=1)
        frames = windows * self.window_frames
        return power_to_lufs(float(sums[-1]) / frames), max(
            highest, power_to_lufs(float(sums.max()) / frames)
        )

    @property
    def powers(self) -> NDArray[np.float64]:
        """Weighted power of every whole 100 ms so far, shape (windows,)."""
        return self._powers.values[:, 0]

    def result(self) -> Loudness:
        """The whole programme so far."""
        return Loudness(
            integrated_lufs=integrated_loudness([self.powers]),
            range_lu=loudness_range([self.powers]),
            max_momentary_lufs=self.max_momentary_lufs,
            max_short_term_lufs=self.max_short_term_lufs,
        )


def measure_loudness(audio: NDArray[np.float64], *, rate_hz: int) -> Loudness:
    """Loudness of a whole (frames, channels) array."""
    meter = LoudnessMeter(rate_hz, audio.shape[1])
    meter.process(audio)
    meter.finish()
    return meter.result()


def power_to_lufs(power: float) -> float:
    """Loudness of a weighted power; silence reads ``MINIMUM_DB``."""
    return max(MINIMUM_DB, OFFSET_LUFS + 10.0 * math.log10(power)) if power > 0.0 else MINIMUM_DB


def lufs_to_power(loudness_lufs: float) -> float:
    """Weighted power of a loudness."""
    return float(10.0 ** ((loudness_lufs - OFFSET_LUFS) / 10.0))


def running_powers(pieces: Sequence[NDArray[np.float64]], windows: int) -> NDArray[np.float64]:
    """Mean power of every run of ``windows`` neighbouring 100 ms powers, at 100 ms hops, never across the
    seam between two pieces."""
    runs = [
        np.lib.stride_tricks.sliding_window_view(piece, windows).mean(axis=1)
        for piece in pieces
        if len(piece) >= windows
    ]
    return np.concatenate(runs) if runs else np.zeros(0)


def integrated_loudness(pieces: Sequence[NDArray[np.float64]]) -> float:
    """Gated loudness (LUFS) of pieces of programme measured as one: 400 ms blocks, 75 % overlap, absolute
    gate -70 LUFS, then a gate 10 LU below the mean of what is left. ``pieces`` are 100 ms powers."""
    blocks = running_powers(pieces, MOMENTARY_WINDOWS)
    blocks = blocks[blocks > lufs_to_power(ABSOLUTE_GATE_LUFS)]
    if len(blocks) == 0:
        return MINIMUM_DB
    gate = blocks.mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)
    return power_to_lufs(float(blocks[blocks > gate].mean()))


def loudness_range(pieces: Sequence[NDArray[np.float64]], *, hop_windows: int = 1) -> float:
    """Loudness range (LU): 10th to 95th percentile of the 3 s loudness above -70 LUFS and above a gate
    20 LU below the mean. Nearest rank, as Tech 3342 computes it. It is read every 100 ms; the coarsest
    hop Tech 3342 allows is 10 windows (1 s, two thirds overlap)."""
    if not 1 <= hop_windows <= SHORT_TERM_WINDOWS // 3:
        raise ParameterError("loudness-hop", hop_windows=hop_windows, most=SHORT_TERM_WINDOWS // 3)
    blocks = running_powers(pieces, SHORT_TERM_WINDOWS)[::hop_windows]
    blocks = blocks[blocks >= lufs_to_power(ABSOLUTE_GATE_LUFS)]
    if len(blocks) == 0:
        return 0.0
    blocks = np.sort(blocks[blocks >= blocks.mean() * 10.0 ** (RANGE_GATE_LU / 10.0)])
    low = blocks[math.floor((len(blocks) - 1) * 0.10 + 0.5)]
    high = blocks[math.floor((len(blocks) - 1) * 0.95 + 0.5)]
    return 10.0 * math.log10(high / low)
