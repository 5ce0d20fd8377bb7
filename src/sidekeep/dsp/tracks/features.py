"""Compact features of a side: band levels that clicks cannot move, impulses, and an outline for pictures.

Conventions: audio is (frames, channels) float64. One *hop* is about 23 ms (``hop_frames`` at the take's
rate). Levels are mean squares in dB, float32, of mid (L+R)/2 and side (L-R)/2; index 0 is mid, 1 is side; a
mono take has an empty side signal. Digital silence reads ``FLOOR_DB``.

Low bands come from one 93 ms spectrum a hop. High bands are the *median* of eight spectra of 6 ms a hop: a click
spoils two of eight and leaves the median where it was (Welch's method with a median instead of the mean; see
also B. Allen et al., "FINDCHIRP", Phys. Rev. D 85, 122006, 2012, section on median spectra).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.hop_kernels import HopDecimator, hop_impulse, hop_outline, mid_side

FLOOR_DB = -150.0
"""Under the last bit of 24, which is at -144 dB."""
LOW_EDGES_HZ = (8.0, 40.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0, 710.0)
HIGH_EDGES_HZ = (710.0, 1000.0, 1400.0, 2000.0, 2800.0, 4000.0, 5600.0, 8000.0, 11200.0, 15500.0)
LOW_COUNT = len(LOW_EDGES_HZ) - 1
HIGH_COUNT = len(HIGH_EDGES_HZ) - 1
BAND_COUNT = LOW_COUNT + HIGH_COUNT
"""Half octaves, about as fine as the ear's critical bands at both ends; where 93 ms resolve them 93 ms are used, from 710 Hz on
spectra of 6 ms that a click spoils seldom."""
_SUBS = 8
"""Spectra to a median: a click spoils two of them, and their median is still the noise's."""
_LOW_FACTOR = 4
"""Down to 11 or 12 kHz, five octaves over what is asked of the low bands and the pitch classes."""
_HALF_TAPS = 23
"""The low-pass of each halving: from 88.2 kHz on, what folds under 15.5 kHz is 50 dB down."""


@dataclass(frozen=True)
class FeatureTable:
    """What one pass leaves. ``bands_db`` (hops, 2, BAND_COUNT); ``impulse`` (hops,) largest second
    difference over its median; ``peak`` (hops, channels, 2) smallest and largest sample; ``power`` (hops, channels)
    mean square; ``chroma`` (hops, 12) share of each pitch class."""

    rate_hz: int
    hop_frames: int
    length_frames: int
    bands_db: NDArray[np.float32]
    impulse: NDArray[np.float32]
    peak: NDArray[np.float32]
    power: NDArray[np.float32]
    chroma: NDArray[np.float32]

    @property
    def hop_s(self) -> float:
        """Length of a hop in seconds."""
        return self.hop_frames / self.rate_hz


class FeatureMeter:
    """``process`` blocks of any size, then ``finish``. The answer does not depend on the block sizes. ``listener`` gets mid and
    side at ``work_rate_hz`` and at a quarter of it, as they are made."""

    listener: Callable[[NDArray[np.float64], NDArray[np.float64]], None] | None = None

    def __init__(self, *, rate_hz: int, channels: int) -> None:
        self.rate_hz = rate_hz
        self.channels = channels
        self._halvings = 0
        while rate_hz / 2**self._halvings >= 64000:
            self._halvings += 1
        self.work_rate_hz = rate_hz / 2**self._halvings
        base = 1024
        while base > 64 and base / self.work_rate_hz > 0.032:
            base //= 2
        self.base = base
        self.hop_frames = base * 2**self._halvings
        self._halvers = [HopDecimator(2, _HALF_TAPS, 2) for _ in range(self._halvings)]
        self._lower = HopDecimator(_LOW_FACTOR, 4 * 8 + 1, 2)
        self._sub = base // _SUBS
        self._fft_high = 2 * self._sub
        self._fft_low = base
        self._low_hop = base // _LOW_FACTOR
        self._window_high = _power_window(self._fft_high)
        self._window_low = _power_window(self._fft_low)
        self._high_matrix = _band_matrix(self._fft_high, self.work_rate_hz, HIGH_EDGES_HZ)
        self._low_matrix = _band_matrix(self._fft_low, self.work_rate_hz / _LOW_FACTOR, LOW_EDGES_HZ)
        self._chroma_matrix = _chroma_matrix(self._fft_low, self.work_rate_hz / _LOW_FACTOR)
        self._length = 0
        self._raw = np.zeros((0, channels))
        self._work = np.zeros((self._sub, 2))
        self._before = np.zeros((2, 2))
        self._low = np.zeros((self._fft_low // 2 - self._low_hop // 2, 2))
        self._parts: dict[str, list[NDArray[np.float32]]] = {
            name: [] for name in ("low", "high", "impulse", "peak", "power", "chroma")
        }

    def process(self, block: NDArray[np.float64]) -> None:
        """Take the next (frames, channels) block."""
        self._length += len(block)
        self._take(np.ascontiguousarray(block, dtype=np.float64))

    def so_far(self) -> FeatureTable | None:
        """The hops that are complete by now, None before the first; blocks may go on coming."""
        if not all(self._parts.values()):
            return None
        for parts in self._parts.values():
            parts[:] = [np.concatenate(parts)]
        kept = {name: parts[0] for name, parts in self._parts.items()}
        hops = min(len(part) for part in kept.values())
        return FeatureTable(
            rate_hz=self.rate_hz,
            hop_frames=self.hop_frames,
            length_frames=hops * self.hop_frames,
            bands_db=np.concatenate([kept["low"][:hops], kept["high"][:hops]], axis=2),
            impulse=kept["impulse"][:hops],
            peak=kept["peak"][:hops],
            power=kept["power"][:hops],
            chroma=kept["chroma"][:hops],
        )

    def finish(self) -> FeatureTable:
        """Pad the last hop with silence and give the table; at least one hop. Nothing may be asked again."""
        hops = max(1, -(-self._length // self.hop_frames))
        tail = hops * self.hop_frames - self._length + 4 * self.hop_frames
        self._take(np.zeros((tail, self.channels)))
        joined = {name: np.concatenate(self._parts.pop(name)) for name in list(self._parts)}
        bands = np.concatenate([joined.pop("low")[:hops], joined.pop("high")[:hops]], axis=2)
        return FeatureTable(
            rate_hz=self.rate_hz,
            hop_frames=self.hop_frames,
            length_frames=self._length,
            bands_db=bands,
            impulse=joined["impulse"][:hops],
            peak=joined["peak"][:hops],
            power=joined["power"][:hops],
            chroma=joined["chroma"][:hops],
        )

    def _take(self, x: NDArray[np.float64]) -> None:
        raw = np.concatenate([self._raw, x])
        count = len(raw) // self.hop_frames
        if count:
            low = np.empty((count, self.channels))
            high, power = np.empty_like(low), np.empty_like(low)
            hop_outline(raw, self.hop_frames, low, high, power)
            self._parts["peak"].append(np.stack([low, high], axis=2).astype(np.float32))
            self._parts["power"].append(power.astype(np.float32))
        self._raw = raw[count * self.hop_frames :].copy()
        work = np.empty((len(x), 2))
        mid_side(x, work)
        for halver in self._halvers:
            work = halver.process(work)
        low = self._lower.process(work)
        if self.listener is not None:
            self.listener(work, low)
        self._take_low(low)
        self._take_high(work)

    def _take_high(self, work: NDArray[np.float64]) -> None:
        from scipy.fft import rfft

        x = np.concatenate([self._work, work])
        sub = self._sub
        count = (len(x) - sub) // self.base
        if count > 0:
            spectra = rfft(_cut_windows(x[: count * self.base + sub], sub, self._window_high), axis=2)
            power = (spectra.real**2 + spectra.imag**2) @ self._high_matrix
            ordered = np.sort(power.reshape(2, count, _SUBS, HIGH_COUNT), axis=2)
            middle = 0.5 * (ordered[:, :, _SUBS // 2 - 1] + ordered[:, :, _SUBS // 2]).swapaxes(0, 1)
            self._parts["high"].append(_db(middle))
            impulse = np.empty(count)
            used = np.concatenate([self._before, x[: count * self.base]])
            hop_impulse(used, self.base, _SUBS, impulse)
            self._before = used[-2:].copy()
            self._parts["impulse"].append(impulse.astype(np.float32))
            x = x[count * self.base :]
        self._work = x.copy()

    def _take_low(self, low: NDArray[np.float64]) -> None:
        from scipy.fft import rfft

        x = np.concatenate([self._low, low])
        size, hop = self._fft_low, self._low_hop
        count = (len(x) - size) // hop + 1 if len(x) >= size else 0
        if count > 0:
            used = x[: (count - 1) * hop + size]
            spectra = rfft(_cut_windows(used, hop, self._window_low), axis=2)
            power = (spectra.real**2 + spectra.imag**2).swapaxes(0, 1)
            self._parts["low"].append(_db(power @ self._low_matrix))
            mid = power[:, 0]
            chroma = mid @ self._chroma_matrix
            total = chroma.sum(axis=1, keepdims=True)
            self._parts["chroma"].append((chroma / np.maximum(total, 1e-20)).astype(np.float32))
            x = x[count * hop :]
        self._low = x.copy()


def _cut_windows(x: NDArray[np.float64], hop: int, shape: NDArray[np.float32]) -> NDArray[np.float32]:
    """(channels, windows, size): every ``hop`` frames of (frames, channels), times the window's shape."""
    lines = np.ascontiguousarray(x.T, dtype=np.float32)
    return np.lib.stride_tricks.sliding_window_view(lines, len(shape), axis=1)[:, ::hop] * shape


def _power_window(size: int) -> NDArray[np.float32]:
    """Hann window scaled so that summed one-sided bin powers are the mean square."""
    window = np.hanning(size + 1)[:-1]
    return (window * np.sqrt(2.0 / (size * np.sum(window**2)))).astype(np.float32)


def _band_matrix(size: int, rate_hz: float, edges_hz: tuple[float, ...]) -> NDArray[np.float32]:
    """(bins, bands): which bins make up a band; a bin on an edge is shared out."""
    width = rate_hz / size
    centre = np.arange(size // 2 + 1) * width
    matrix = np.zeros((len(centre), len(edges_hz) - 1), dtype=np.float32)
    for band, (low, high) in enumerate(zip(edges_hz, edges_hz[1:])):
        overlap = np.minimum(centre + width / 2, high) - np.maximum(centre - width / 2, low)
        matrix[:, band] = np.clip(overlap / width, 0.0, 1.0)
    return matrix


def _chroma_matrix(size: int, rate_hz: float) -> NDArray[np.float32]:
    """(bins, 12): pitch class of each bin from 130 to 2000 Hz, weighted down with frequency."""
    frequency = np.arange(size // 2 + 1) * rate_hz / size
    matrix = np.zeros((len(frequency), 12), dtype=np.float32)
    for index, f in enumerate(frequency):
        if 130.0 <= f <= 2000.0:
            pitch = 12 * np.log2(f / 440.0)
            lower = int(np.floor(pitch))
            share = pitch - lower
            matrix[index, lower % 12] += (1 - share) * 440.0 / f
            matrix[index, (lower + 1) % 12] += share * 440.0 / f
    return matrix


def _db(power: NDArray[np.float32]) -> NDArray[np.float32]:
    return (10.0 * np.log10(np.maximum(power, 10.0 ** (FLOOR_DB / 10.0)))).astype(np.float32)
