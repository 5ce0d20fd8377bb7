"""What a take sounds like without music: groove noise, rumble, hum.

Conventions: frames at the take's rate, audio (frames, channels) float64, full scale +-1.0, levels plain
rms in dBFS, mean power over the channels. A *window* is a tenth of a second.

``NoiseMeter`` streams: it keeps a few numbers a window (powers, octave bands, left-right product), a
slow series for the turn, and the quietest stretches of a low-rate copy in which hum is looked for at
the end. That is about 4 kB a second; results do not depend on the block size.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.sample_levels import window_means
from sidekeep.dsp.noise.hum import LOW_RATE_HZ, Hum, find_hum
from sidekeep.dsp.noise.low_rate import Decimator, low_factor
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
RUMBLE_TOP_HZ = 60.0
"""Rumble lies below, as the glossary has it."""

_SWAY_RATE_HZ = 24.0
"""As ``dsp.turn.sway`` asks for: six harmonics of a turn at 80 rpm."""
_SILENT_POWER = 1e-13
"""-130 dB: digital silence, and no groove."""
_OUTLIER = 4.0
"""A window this many times the median power holds a click or a note."""


class NoiseMeter:
    """Feed it the whole take once; ``finish`` then answers for spans that are known only afterwards."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        if rate_hz < 8000 or channels < 1:
            raise ParameterError("noise-form", rate_hz=rate_hz, channels=channels)
        self.rate_hz, self.channels = rate_hz, channels
        self.window_frames = round(WINDOW_S * rate_hz)
        self._held = np.zeros((0, channels))
        self._powers: list[Floats] = []
        self._means: list[Floats] = []
        self._slopes: list[Floats] = []
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
        hum = self._hum(idle_spans, groove_spans)
        noise = Noise(
            groove_dbfs=power_to_db(groove_power),
            hum_hz=hum.frequency_hz,
            hum_dbfs=hum.level_dbfs,
            rumble_dbfs=power_to_db(rumble_power),
        )
        self.findings = tuple(noise_findings(noise, hum, groove_from, len(powers) * self.window_frames))
        return noise

    def _take_windows(self, frames: Floats) -> None:
        found = window_means(frames, self.window_frames)
        self._powers.append(found.power)
        self._means.append(found.mean)
        self._slopes.append(found.slope)

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

    def _hum(self, idle_spans: FrameSpans, groove_spans: FrameSpans) -> Hum:
        """Hum where it is purest: needle up, else empty groove, else the quietest stretches."""
        everywhere = [(0, self._quiet.length_frames)]
        for spans in (idle_spans, groove_spans):
            runs = self._quiet.runs_in(spans)
            hums = [find_hum(run, rate_hz=self._low_rate_hz) for run in runs[:4]]
            found = max(hums, key=lambda hum: hum.score, default=Hum())
            if found.frequency_hz > 0.0:
                return found
            if runs and spans is idle_spans:
                # Needle up is the whole chain at its most naked: no hum there, no hum.
                return Hum()
        if not groove_spans and not idle_spans:
            hums = [find_hum(run, rate_hz=self._low_rate_hz) for run in self._quiet.runs_in(everywhere)[:3]]
            present = [hum for hum in hums if hum.frequency_hz > 0.0]
            if present:
                return min(present, key=lambda hum: hum.level_dbfs)
        return Hum()
