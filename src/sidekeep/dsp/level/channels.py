"""What the two channels and their samples say about where a file came from.

Audio is (frames, channels), float64, full scale +-1.0. Looked for: stretches that are digitally silent, the
bits really in use, polarity of the bass, and a steep upper edge of the spectrum.

Not looked for: swapped channels. Nothing in a stereo recording says which side the violins belong on; only
the sleeve, the ear or a test record can tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import WindowMeter
from sidekeep.dsp.kernel import kernel
from sidekeep.units import power_to_db

_SPECTRUM_FRAMES = 4096
_SPECTRUM_EVERY = 5
"""One spectrum per half second: an average of thousands over a side."""
_LOW_EDGE_HZ = 10_000.0
"""Under it no encoder of music ends (common practice, no source), only a lower sample rate."""
_SURFACE_DBFS_KHZ = -100.0
"""Noise in a kilohertz over an edge: that of a good pressing is louder, that of 16 bits with triangular dither 10 dB less
(-96.3 dBFS over 22 kHz; Lipshitz, Wannamaker and Vanderkooy, JAES 1992)."""
_BASS_HZ = (60.0, 300.0)
"""Where records carry their bass in phase; below is rumble, which is vertical."""
_EDGE_HZ, _EDGE_FALL_DB = 1000.0, 15.0
"""An edge falls so far from one band of this width to the next: a groove fades more gently."""
_EDGE_FROM_HZ, _EDGE_TO_SHARE = 3000.0, 0.44
"""Where edges are looked for, the end as a share of the rate: a converter's own filter sits at 0.45 and above."""
_SLOPES_SHARE, _STAYS_SHARE = 0.4, 0.6
"""Of the fall: as much as the band below may slope already, and as much as nearly all above must stay down (chosen here)."""
SHORTEST_SILENCE_S = 0.005
"""Equal samples for 5 ms are no sound of a record, whose noise moves the last bits of 16 all the time; a fade of a quiet file may
have some (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class BandLimit:
    """A steep upper edge: where, and how far the spectrum falls across 1 kHz around it."""

    edge_hz: float
    fall_db: float


@kernel
def _fast_bits(line):  # type: ignore[no-untyped-def]
    """OR of all samples as 32-bit integers; -1 if a sample is no such integer."""
    bits = np.int64(0)
    odd = np.int64(0)
    for n in range(line.shape[0]):
        scaled = line[n] * 2147483648.0
        whole = np.int64(scaled)
        odd |= np.int64(np.float64(whole) != scaled)
        bits |= whole & 0xFFFFFFFF
    return np.int64(-1) if odd else bits


@kernel
def _fast_repeats(line):  # type: ignore[no-untyped-def]
    """How many samples are equal to the one before them."""
    many = 0
    for n in range(1, line.shape[0]):
        many += line[n] == line[n - 1]
    return many


@kernel
def _fast_still(frames, count, values, lengths, found, shortest):  # type: ignore[no-untyped-def]
    """Stretches in which no channel moves at all; rows: frame after, length. Returns how many ended."""
    many = 0
    length = lengths[0]
    for n in range(count):
        same = True
        for channel in range(frames.shape[1]):
            if frames[n, channel] != values[channel]:
                same = False
                values[channel] = frames[n, channel]
        if same:
            length += 1
        else:
            if length >= shortest:
                found[many, 0] = n
                found[many, 1] = length
                many += 1
            length = 1
    lengths[0] = length
    return many


class ChannelMeter(WindowMeter):
    """Collects bits in use, still stretches, and averaged spectra of the louder windows."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        super().__init__(rate_hz, channels)
        self._seen = np.zeros(channels, np.int64)
        self._frame = 0
        self._values = np.full(channels, np.nan)
        self._lengths = np.zeros(1, np.int64)
        self._shortest = max(2, int(SHORTEST_SILENCE_S * rate_hz))
        self._found = np.empty((self.window_frames // self._shortest + 2, 2), np.int64)
        self._still: list[tuple[int, int]] = []
        self._size = min(_SPECTRUM_FRAMES, self.window_frames)
        self._taper = np.hanning(self._size)[:, None]
        self._power = np.zeros((self._size // 2 + 1, channels))
        self._cross = np.zeros(self._size // 2 + 1)
        self._turn = 0
        self.spectra = 0

    def window(self, frames: NDArray[np.float64], count: int) -> None:
        """One window."""
        lines = frames.T
        for channel in range(self.channels):
            if self._seen[channel] != -1:
                bits = _fast_bits(lines[channel][:count])
                self._seen[channel] = bits if bits == -1 else self._seen[channel] | bits
        # Few repeats: nothing was still for long, and only the last moments can carry on.
        first = count - self._shortest
        if first > 0 and self._lengths[0] + _fast_repeats(lines[0][:count]) + 1 < self._shortest:
            self._values[:] = np.nan
        else:
            first = 0
        many = _fast_still(
            frames[first:], count - first, self._values, self._lengths, self._found, self._shortest
        )
        for stop, length in self._found[:many].tolist():
            self._still.append((self._frame + stop - length, self._frame + stop))
        self._frame += count
        self._turn += 1
        if self._turn % _SPECTRUM_EVERY == 1 and count == self.window_frames:
            self._add_spectrum(frames[: self._size])

    def _add_spectrum(self, frames: NDArray[np.float64]) -> None:
        spectrum = np.fft.rfft((frames - frames.mean(axis=0)) * self._taper, axis=0)
        self._power += spectrum.real**2 + spectrum.imag**2
        if self.channels >= 2:
            self._cross += (spectrum[:, 0] * np.conj(spectrum[:, 1])).real
        self.spectra += 1

    @property
    def still_spans(self) -> list[tuple[int, int]]:
        """Half-open stretches of 5 ms and more in which no sample changed, the open one included."""
        spans = list(self._still)
        if self._lengths[0] >= self._shortest:
            spans.append((self._frame - int(self._lengths[0]), self._frame))
        return spans

    @property
    def bits_in_use(self) -> int:
        """Fewest bits that hold every sample exactly (0 for silence, 33 when 32 are not enough)."""
        if (self._seen == -1).any():
            return 33
        together = int(np.bitwise_or.reduce(self._seen))
        return 32 - ((together & -together).bit_length() - 1) if together else 0

    @property
    def bass_correlation(self) -> float:
        """Correlation of left and right between 60 and 300 Hz, -1 to 1; 0 without two channels.

        Records carry their bass in phase (vertical bass throws the stylus); below 60 Hz rumble is vertical,
        that is out of phase, and says nothing.
        """
        if self.channels < 2:
            return 0.0
        hz = np.arange(len(self._cross)) * self.rate_hz / self._size
        band = (hz >= _BASS_HZ[0]) & (hz <= _BASS_HZ[1])
        scale = float(np.sqrt(self._power[band, 0].sum() * self._power[band, 1].sum()))
        return float(self._cross[band].sum() / scale) if scale > 0.0 else 0.0

    @property
    def band_limit(self) -> BandLimit | None:
        """A steep upper edge of the averaged spectrum of all channels, if there is one.

        Low music ends steeply too, but in the noise of the groove: what lies above its edge is there all the same."""
        if not self.spectra:
            return None
        power = self._power.sum(axis=1)
        edge = find_band_limit(power, rate_hz=self.rate_hz)
        if edge is None or edge.edge_hz >= _LOW_EDGE_HZ:
            return edge
        bin_hz = self.rate_hz / self._size
        above = power[
            int((edge.edge_hz + 0.5 * _EDGE_HZ) / bin_hz) : int(_EDGE_TO_SHARE * self.rate_hz / bin_hz)
        ]
        whole = self.spectra * self.channels * self._size * float(np.sum(self._taper**2))
        noise_dbfs = (
            power_to_db(2.0 * float(np.median(above)) / whole * 1000.0 / bin_hz) if len(above) else 0.0
        )
        return edge if noise_dbfs < _SURFACE_DBFS_KHZ else None


def bits_in_use(audio: NDArray[np.float64], *, rate_hz: int = 48000) -> int:
    """Fewest bits that hold every sample of a (frames, channels) array exactly."""
    meter = ChannelMeter(rate_hz, audio.shape[1])
    meter.process(audio)
    meter.finish()
    return meter.bits_in_use


def find_band_limit(power: NDArray[np.float64], *, rate_hz: int) -> BandLimit | None:
    """A steep edge in a power spectrum of bins 0 to rate/2, shape (bins,).

    A converter's own filter sits at 0.45 of its rate or above and is not looked at. An edge must fall by
    15 dB or more within 1 kHz, between bands that are each 1 kHz wide, nothing above it may come back, and
    the band below must not slope so already. Grooves fade gently towards the top: such a wall is the
    low-pass of an encoder (16 to 20 kHz) or of a lower sample rate.
    """
    if len(power) < 64:
        return None
    hz = np.arange(len(power)) * 0.5 * rate_hz / (len(power) - 1)
    level_db = 10.0 * np.log10(np.maximum(power, 1e-300))
    width = max(2, round(_EDGE_HZ / float(hz[1] - hz[0])))
    first = max(3 * width, int(np.searchsorted(hz, _EDGE_FROM_HZ)))
    stop = min(len(power) - 3 * width // 2, int(np.searchsorted(hz, _EDGE_TO_SHARE * rate_hz, "right")))
    if stop <= first:
        return None
    around_db = level_db[first - 3 * width // 2 : stop - 1 + 3 * width // 2]
    medians_db = np.median(np.lib.stride_tricks.sliding_window_view(around_db, width), axis=1)
    below_db = medians_db[: stop - first]
    fall_db = below_db - medians_db[-(stop - first) :]
    best: BandLimit | None = None
    for at in np.flatnonzero(fall_db >= _EDGE_FALL_DB):
        if best is not None and fall_db[at] <= best.fall_db:
            continue
        bin_ = first + int(at)
        further_below = float(np.median(level_db[bin_ - 3 * width : bin_ - 2 * width]))
        rest = level_db[bin_ + width // 2 :]
        does_not_slope = further_below - below_db[at] < _SLOPES_SHARE * fall_db[at]
        if does_not_slope and float(np.percentile(rest, 95)) < below_db[at] - _STAYS_SHARE * fall_db[at]:
            best = BandLimit(edge_hz=float(hz[bin_]), fall_db=float(fall_db[at]))
    return best
