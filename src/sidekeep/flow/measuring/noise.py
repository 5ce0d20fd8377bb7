"""What a take sounds like without music: groove noise, rumble, hum.

Conventions: frames at the take's rate, audio (frames, channels) float64, full scale +-1.0, levels plain
rms in dBFS, mean power over the channels. A *window* is a tenth of a second.

``NoiseMeter`` streams: it keeps a few numbers a window (powers, octave bands, left-right product), a
slow series for the turn, and the quietest stretches of a low-rate copy in which hum is looked for at
the end. That is about 4 kB a second; results do not depend on the block size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.sample_levels import window_means
from sidekeep.dsp.noise.hum import LOW_RATE_HZ, Hum, find_hum
from sidekeep.dsp.noise.low_rate import Decimator, low_factor
from sidekeep.dsp.noise.weighting import a_weighting_db
from sidekeep.errors import ParameterError
from sidekeep.flow.measuring.measures import FrameSpans
from sidekeep.flow.measuring.noise_findings import noise_findings
from sidekeep.flow.measuring.quiet_moments import QuietMoments
from sidekeep.model.finding import Finding
from sidekeep.model.measures import Noise
from sidekeep.units import MINIMUM_DB, power_to_db

Floats = NDArray[np.float64]

WINDOW_S = 0.1
"""As the windows of loudness."""
OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""IEC 61260-1 octaves that a record holds."""
RUMBLE_TOP_HZ = 60.0
"""Rumble lies below, as the glossary has it."""

_FFT_FRAMES_S = 0.04
"""At most; a power of two of frames: bins of 43 Hz at 44.1 kHz, 47 at 48 and 96."""
_SWAY_RATE_HZ = 24.0
"""As ``dsp.turn.sway`` asks for: six harmonics of a turn at 80 rpm."""
_SILENT_POWER = 1e-13
"""-130 dB: digital silence, and no groove."""
_OUTLIER = 4.0
"""A window this many times the median power holds a click or a note."""


@dataclass(frozen=True, kw_only=True)
class NoiseDetails:
    """More than ``Noise`` tells. ``octaves_dbfs``: groove noise in octave bands from 63 Hz, mean over the
    channels; ``weighted_dbfs``: their A-weighted sum; ``vertical_db``: groove noise of left minus right over
    left plus right; ``idle_dbfs``: the chain with the needle up; ``hum_from``: where hum was measured."""

    octaves_dbfs: tuple[float, ...] = ()
    weighted_dbfs: float = MINIMUM_DB
    vertical_db: float = 0.0
    idle_dbfs: float = MINIMUM_DB
    hum_harmonics: tuple[tuple[int, float], ...] = ()
    hum_from: str = "none"
    groove_from: str = "none"


class NoiseMeter:
    """Feed it the whole take once; ``finish`` then answers for spans that are known only afterwards."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        if rate_hz < 8000 or channels < 1:
            raise ParameterError("noise-form", rate_hz=rate_hz, channels=channels)
        self.rate_hz, self.channels = rate_hz, channels
        self.window_frames = round(WINDOW_S * rate_hz)
        self._held = np.zeros((0, channels))
        self._fft_frames = 1 << int(np.floor(np.log2(_FFT_FRAMES_S * rate_hz)))
        self._shape = np.hanning(self._fft_frames + 2)[1:-1]
        self._edges = self._band_edges()
        self._powers: list[Floats] = []
        self._means: list[Floats] = []
        self._products: list[Floats] = []
        self._slopes: list[Floats] = []
        self._octaves: list[NDArray[np.float32]] = []
        self._low_factor = low_factor(rate_hz, LOW_RATE_HZ)
        self._low_rate_hz = rate_hz / self._low_factor
        self._to_low = Decimator(self._low_factor, channels)
        self._rumble_factor = max(1, round(0.42 * self._low_rate_hz / RUMBLE_TOP_HZ))
        self._to_rumble = Decimator(self._rumble_factor, channels)
        self._rumble_rate_hz = self._low_rate_hz / self._rumble_factor
        self._sway_factor = low_factor(self._rumble_rate_hz, _SWAY_RATE_HZ)
        self._to_sway = Decimator(self._sway_factor, channels)
        self._quiet = QuietMoments(self._low_rate_hz, self._low_factor, channels)
        self._rumble: list[NDArray[np.float32]] = []
        self._sway: list[Floats] = []
        self._is_closed = False
        self.details = NoiseDetails()
        self.findings: tuple[Finding, ...] = ()

    def process(self, block: Floats) -> None:
        """Take (n, channels) frames, n of any size."""
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ParameterError("noise-block", shape=block.shape, channels=self.channels)
        self._take_low(self._to_low.process(block))
        held = np.concatenate((self._held, block)) if len(self._held) else block
        count = len(held) // self.window_frames
        if count:
            self._take_windows(held[: count * self.window_frames])
        self._held = held[count * self.window_frames :].copy()

    @property
    def sway_rate_hz(self) -> float:
        """Rate of ``sway_series``."""
        return self._rumble_rate_hz / self._sway_factor

    def sway_series(self) -> Floats:
        """(samples, channels) of the take below some 10 Hz, to find the turn by; asked for when all has been heard."""
        self._close()
        return self.sway_so_far()

    def sway_so_far(self) -> Floats:
        """What there is of ``sway_series`` while more may come."""
        return np.concatenate(self._sway) if self._sway else np.zeros((0, self.channels))

    def finish(self, groove_spans: FrameSpans = (), idle_spans: FrameSpans = ()) -> Noise:
        """Measure. ``groove_spans`` hold groove without music, ``idle_spans`` the chain with the needle up.

        Without a groove span the quietest windows that are not digital silence serve; a finding says so.
        May be called again with other spans.
        """
        self._close()
        if not self._powers:
            self.findings = ()
            return Noise(groove_dbfs=MINIMUM_DB, hum_hz=0.0, hum_dbfs=MINIMUM_DB, rumble_dbfs=MINIMUM_DB)
        powers, means = np.concatenate(self._powers), np.concatenate(self._means)
        groove = self._windows_in(groove_spans, len(powers))
        idle = self._windows_in(idle_spans, len(powers))
        groove_from = "spans"
        if not groove.size:
            groove, groove_from = self._quietest(powers, idle), "quietest windows"
        groove = self._without_outliers(groove)
        offset = means[groove].mean(axis=0) if groove.size else np.zeros(self.channels)
        groove_power = (
            float(np.mean(powers[groove] - 2 * means[groove] * offset + offset**2)) if groove.size else 0.0
        )
        rumble_power = self._rumble_power(groove)
        hum, hum_from = self._hum(idle_spans, groove_spans)
        self.details = self._describe(groove, idle, groove_from, hum, hum_from)
        noise = Noise(
            groove_dbfs=power_to_db(groove_power),
            hum_hz=hum.frequency_hz,
            hum_dbfs=hum.level_dbfs,
            rumble_dbfs=power_to_db(rumble_power),
        )
        self.findings = tuple(noise_findings(noise, hum, groove_from, len(powers) * self.window_frames))
        return noise

    def _band_edges(self) -> NDArray[np.int64]:
        bin_hz = self.rate_hz / self._fft_frames
        edges_hz = [OCTAVES_HZ[0] / 2**0.5] + [centre * 2**0.5 for centre in OCTAVES_HZ]
        return np.clip(np.rint(np.array(edges_hz) / bin_hz), 1, self._fft_frames // 2).astype(np.int64)

    def _take_windows(self, frames: Floats) -> None:
        found = window_means(frames, self.window_frames)
        self._powers.append(found.power)
        self._means.append(found.mean)
        self._products.append(found.product)
        self._slopes.append(found.slope)
        windows = frames.reshape(-1, self.window_frames, self.channels)
        first = (self.window_frames - self._fft_frames) // 2
        part = windows[:, first : first + self._fft_frames] * self._shape[None, :, None]
        bins = np.fft.rfft(part, axis=1)
        spectrum = bins.real**2 + bins.imag**2
        spectrum *= 2.0 / (self._fft_frames * np.sum(self._shape**2))
        sums = np.concatenate((np.zeros_like(spectrum[:, :1]), np.cumsum(spectrum, axis=1)), axis=1)
        bands = sums[:, self._edges[1:]] - sums[:, self._edges[:-1]]
        self._octaves.append(bands.mean(axis=2).astype(np.float32))

    def _take_low(self, low: Floats) -> None:
        self._take_rumble(self._to_rumble.process(low))
        self._quiet.process(low)

    def _take_rumble(self, rumble: Floats) -> None:
        self._rumble.append(rumble.astype(np.float32))
        self._sway.append(self._to_sway.process(rumble))

    def _close(self) -> None:
        if self._is_closed:
            return
        self._is_closed = True
        self._take_low(self._to_low.flush())
        self._take_rumble(self._to_rumble.flush())
        self._sway.append(self._to_sway.flush())
        self._quiet.close()

    def _windows_in(self, spans: FrameSpans, count: int) -> NDArray[np.int64]:
        """Windows that lie wholly inside a span."""
        chosen = np.zeros(count, dtype=bool)
        for start, stop in spans:
            chosen[-(-start // self.window_frames) : max(0, stop // self.window_frames)] = True
        return np.flatnonzero(chosen)

    def _offset(self, windows: NDArray[np.int64]) -> Floats:
        """Mean of each channel over some windows: the converter's offset there."""
        if not windows.size:
            return np.zeros(self.channels)
        return np.asarray(np.concatenate(self._means)[windows].mean(axis=0))

    def _quietest(self, powers: Floats, idle: NDArray[np.int64]) -> NDArray[np.int64]:
        """Windows between the 1st and the 6th per cent of level, needle-up and digital silence left out."""
        total = powers.sum(axis=1)
        usable = total > _SILENT_POWER
        usable[idle] = False
        candidates = np.flatnonzero(usable)
        order = candidates[np.argsort(total[candidates], kind="stable")]
        first = len(order) // 100
        return np.sort(order[first : max(first + 1, (6 * len(order)) // 100)])

    def _without_outliers(self, windows: NDArray[np.int64]) -> NDArray[np.int64]:
        """Drop windows in which a click or a note stands out: by slope (treble) and by power."""
        for values in (np.concatenate(self._slopes), np.concatenate(self._powers).sum(axis=1)):
            if windows.size < 5:
                break
            here = values[windows]
            windows = windows[here <= _OUTLIER * max(float(np.median(here)), 1e-30)]
        return windows

    def _rumble_power(self, windows: NDArray[np.int64]) -> float:
        series = np.concatenate(self._rumble).astype(np.float64)
        per_window = self._rumble_rate_hz * self.window_frames / self.rate_hz
        parts = [series[int(w * per_window) : int((w + 1) * per_window)] for w in windows]
        parts = [part for part in parts if len(part)]
        if not parts:
            return 0.0
        chosen = np.concatenate(parts)
        return float(np.mean((chosen - chosen.mean(axis=0)) ** 2))

    def _hum(self, idle_spans: FrameSpans, groove_spans: FrameSpans) -> tuple[Hum, str]:
        """Hum where it is purest: needle up, else empty groove, else the quietest stretches."""
        everywhere = [(0, self._quiet.length_frames)]
        for name, spans in (("idle", idle_spans), ("groove", groove_spans)):
            runs = self._quiet.runs_in(spans)
            hums = [find_hum(run, rate_hz=self._low_rate_hz) for run in runs[:4]]
            found = max(hums, key=lambda hum: hum.score, default=Hum())
            if found.frequency_hz > 0.0:
                return found, name
            if runs and name == "idle":
                # Needle up is the whole chain at its most naked: no hum there, no hum.
                return Hum(), "idle"
        if not groove_spans and not idle_spans:
            hums = [find_hum(run, rate_hz=self._low_rate_hz) for run in self._quiet.runs_in(everywhere)[:3]]
            present = [hum for hum in hums if hum.frequency_hz > 0.0]
            if present:
                return min(present, key=lambda hum: hum.level_dbfs), "quietest windows"
        return Hum(), "none"

    def _describe(
        self, groove: NDArray[np.int64], idle: NDArray[np.int64], groove_from: str, hum: Hum, hum_from: str
    ) -> NoiseDetails:
        powers = np.concatenate(self._powers)
        offset = self._offset(idle)
        idle_powers = powers[idle] - 2.0 * np.concatenate(self._means)[idle] * offset + offset**2
        octaves = np.concatenate(self._octaves).astype(np.float64)
        products = np.concatenate(self._products)
        bands = octaves[groove].mean(axis=0) if groove.size else np.zeros(len(OCTAVES_HZ))
        weights = 10.0 ** (a_weighting_db(np.array(OCTAVES_HZ)) / 10.0)
        vertical_db = 0.0
        if self.channels == 2 and groove.size:
            means, offset = np.concatenate(self._means)[groove], self._offset(groove)
            both = float((powers[groove] - 2.0 * means * offset + offset**2).sum(axis=1).mean())
            crossed = means[:, 0] * offset[1] + means[:, 1] * offset[0] - offset[0] * offset[1]
            product = 2.0 * float((products[groove] - crossed).mean())
            vertical_db = power_to_db(max(both - product, 1e-20)) - power_to_db(max(both + product, 1e-20))
        idle_power = float(np.median(idle_powers.mean(axis=1))) if idle.size else 0.0
        return NoiseDetails(
            octaves_dbfs=tuple(power_to_db(float(band)) for band in bands),
            weighted_dbfs=power_to_db(float(weights @ bands)),
            vertical_db=vertical_db,
            idle_dbfs=power_to_db(idle_power),
            hum_harmonics=hum.harmonics,
            hum_from=hum_from,
            groove_from=groove_from,
        )
