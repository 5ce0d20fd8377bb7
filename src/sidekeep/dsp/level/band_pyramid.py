"""The spectrum of a long sound, kept coarse: levels of some 270 bands every 2048 frames (1024 at 50 kHz or less), then of
four such columns together, and so on. Every frame of the sound is in it.

Conventions: a column is one Hann window (von Hann) of twice its frames, so neighbours overlap by half; column ``i`` is
centred on the middle of frames ``i * hop`` to ``(i + 1) * hop`` of the mean of the channels. A band holds its loudest bin:
below about 750 Hz every bin is a band, then bands are 1/32 of their frequency wide, from 240 Hz of width on they grow no
more, so the store serves a picture by octaves and an even one. A coarser column is the loudest of the finer ones. Levels
are bytes: 0 is ``FLOOR_DB`` or less, 255 a full-scale sine.

The bytes of a store, all little-endian: ``SKBANDS1``, then uint32 rate_hz, hop frames, factor, bands, levels, 0, then uint64
length_frames, then the levels from fine to coarse, (columns, bands) uint8.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import AudioFileError

FLOOR_DB = -120.0
FACTOR = 4
_WIDEST_BAND_HZ = 240.0
_BANDS_PER_HZ = 32
"""Level of a byte of 0, under the noise of any record and player; columns that make one of the next level; widths of bands (see
above)."""
_SMALLEST_LEVEL = 2048
"""No coarser level is made once one has this many columns or fewer."""
_MAGIC = b"SKBANDS1"
_HEADER = struct.Struct("<8s6IQ")
_MOST_LEVELS = 16
_AT_ONCE = 128
"""Guards: more levels than 16 no length needs (4**16 columns), and 128 spectra at once are 2 MB."""


def hop_frames(rate_hz: int) -> int:
    """Frames between two columns of the finest level."""
    return 2048 if rate_hz > 50_000 else 1024


@lru_cache(maxsize=8)
def band_bins(rate_hz: int) -> NDArray[np.int64]:
    """First bins of the bands, and the number of bins at the end, of a window of two hops."""
    size = 2 * hop_frames(rate_hz)
    bin_hz = rate_hz / size
    edges = [0]
    while edges[-1] < size // 2 + 1:
        low_hz = edges[-1] * bin_hz
        wide = min(low_hz / _BANDS_PER_HZ, _WIDEST_BAND_HZ) / bin_hz
        edges.append(edges[-1] + max(1, int(wide + 0.5)))
    edges[-1] = size // 2 + 1
    return np.array(edges, np.int64)


@lru_cache(maxsize=8)
def hann(size: int) -> NDArray[np.float32]:
    """Window of so many frames, scaled so that a full-scale sine reads 0 dB."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
    return (2.0 * window / window.sum()).astype(np.float32)


def one_channel(block: NDArray[np.float64]) -> NDArray[np.float32]:
    """The mean of the channels, (frames,); silence for what is no number."""
    mono = block[:, 0].copy()
    for channel in range(1, block.shape[1]):
        mono += block[:, channel]
    mono /= block.shape[1]
    return np.nan_to_num(mono, copy=False, posinf=0.0, neginf=0.0).astype(np.float32)


def level_bytes(powers: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Powers (1 is a full-scale sine) as bytes."""
    with np.errstate(divide="ignore", invalid="ignore"):
        steps = 255.0 * (1.0 - 10.0 * np.log10(powers) / FLOOR_DB)
    return np.round(np.nan_to_num(np.clip(steps, 0.0, 255.0))).astype(np.uint8)


def columns_of(mono: NDArray[np.float32], count: int, rate_hz: int) -> NDArray[np.uint8]:
    """``count`` columns, (count, bands), of a piece of sound that begins half a hop before the first one."""
    from scipy.fft import rfft

    hop, edges = hop_frames(rate_hz), band_bins(rate_hz)
    out = np.empty((count, len(edges) - 1), np.uint8)
    views = np.lib.stride_tricks.sliding_window_view(mono, 2 * hop)[::hop][:count]
    for first in range(0, count, _AT_ONCE):
        bins = rfft(views[first : first + _AT_ONCE] * hann(2 * hop), axis=1)
        powers = bins.real**2 + bins.imag**2
        out[first : first + _AT_ONCE] = level_bytes(np.maximum.reduceat(powers, edges[:-1], axis=1))
    return out


def coarser_columns(level: NDArray[np.uint8], factor: int = FACTOR) -> NDArray[np.uint8]:
    """The next coarser level: the loudest of ``factor`` columns each, the last may be of fewer."""
    return np.maximum.reduceat(level, np.arange(0, len(level), factor), axis=0) if len(level) else level


@dataclass(frozen=True, kw_only=True)
class Bands:
    """All levels, fine to coarse."""

    rate_hz: int
    length_frames: int
    factor: int
    levels: tuple[NDArray[np.uint8], ...]

    @classmethod
    def of_finest(cls, finest: NDArray[np.uint8], rate_hz: int, length_frames: int) -> Bands:
        """With the coarser levels made of the finest."""
        levels = [finest]
        while len(levels[-1]) > _SMALLEST_LEVEL:
            levels.append(coarser_columns(levels[-1]))
        return cls(rate_hz=rate_hz, length_frames=length_frames, factor=FACTOR, levels=tuple(levels))

    @property
    def edges_hz(self) -> NDArray[np.float64]:
        """Borders of the bands."""
        return band_bins(self.rate_hz).astype(np.float64) * (self.rate_hz / (2 * hop_frames(self.rate_hz)))

    def columns(self, start_frame: int, stop_frame: int, width: int) -> NDArray[np.uint8]:
        """(width, bands) of a span: every column the loudest of what it covers. Asked for finer than it is kept, several
        columns show the same."""
        hop, chosen = hop_frames(self.rate_hz), 0
        for level in range(1, len(self.levels)):
            if hop * self.factor**level * width <= stop_frame - start_frame:
                chosen = level
        columns, frames = self.levels[chosen], hop * self.factor**chosen
        edges = start_frame + np.arange(width + 1, dtype=np.int64) * (stop_frame - start_frame) // width
        first = np.minimum(edges[:-1] // frames, len(columns) - 1)
        last = np.minimum(np.maximum(-(-edges[1:] // frames), first + 1), len(columns))
        shown = columns[first]
        for step in range(1, int((last - first).max(initial=1))):
            np.maximum(shown, columns[np.minimum(first + step, last - 1)], out=shown)
        return shown

    def write(self, file: BinaryIO) -> None:
        """Append the bytes of the store."""
        finest = self.levels[0]
        file.write(
            _HEADER.pack(
                _MAGIC,
                self.rate_hz,
                hop_frames(self.rate_hz),
                self.factor,
                finest.shape[1],
                len(self.levels),
                0,
                self.length_frames,
            )
        )
        for level in self.levels:
            file.write(np.ascontiguousarray(level).tobytes())


def read_bands(data: bytes) -> Bands:
    """A store from its bytes. Raises ``AudioFileError`` for bytes that are none, or of another version."""
    if len(data) < _HEADER.size:
        raise AudioFileError("spectrum-too-short", bytes=len(data))
    magic, rate_hz, hop, factor, bands, count, _, length = _HEADER.unpack_from(data)
    fits = magic == _MAGIC and rate_hz > 0 and factor == FACTOR and 0 < count <= _MOST_LEVELS
    if not fits or hop != hop_frames(rate_hz) or bands != len(band_bins(rate_hz)) - 1:
        raise AudioFileError("spectrum-unknown")
    levels, at, columns = [], _HEADER.size, -(-length // hop)
    for _level in range(count):
        if at + columns * bands > len(data):
            raise AudioFileError("spectrum-cut-short")
        levels.append(np.frombuffer(data, np.uint8, columns * bands, at).reshape(columns, bands))
        at += columns * bands
        columns = -(-columns // factor)
    return Bands(rate_hz=rate_hz, length_frames=length, factor=factor, levels=tuple(levels))


class BandBuilder:
    """The bands of a stream, block by block."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.length_frames = 0
        self._hop = hop_frames(rate_hz)
        self._held = np.zeros(self._hop // 2, np.float32)
        self._columns: list[NDArray[np.uint8]] = []
        self._count = 0

    def process(self, block: NDArray[np.float64]) -> None:
        """Take the next frames, shape (n, channels)."""
        self.length_frames += len(block)
        self._held = np.concatenate((self._held, one_channel(block)))
        self._take(max(0, (len(self._held) - self._hop) // self._hop))

    def result(self) -> Bands:
        """The bands of everything; the stream is over."""
        missing = -(-self.length_frames // self._hop) - self._count
        self._held = np.concatenate((self._held, np.zeros(2 * self._hop, np.float32)))
        self._take(missing)
        bands = len(band_bins(self.rate_hz)) - 1
        finest = np.concatenate([np.empty((0, bands), np.uint8), *self._columns])
        return Bands.of_finest(finest, self.rate_hz, self.length_frames)

    def _take(self, count: int) -> None:
        if count > 0:
            self._columns.append(columns_of(self._held, count, self.rate_hz))
            self._held = self._held[count * self._hop :]
            self._count += count
