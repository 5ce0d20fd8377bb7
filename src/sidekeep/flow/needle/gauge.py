"""The gauge: level, balance, phase, noise and hum of what comes in now, and what to do about it. Streaming.

Advice follows common practice (no source): peaks of the loudest passage near -6 dBFS with 16 bits, anywhere
from -12 to -6 dBFS with 24 bits; clipping can never be undone, a low level at 24 bits costs nothing.
The forecast of the whole side's peak takes the highest peak of every ten seconds as draws of a Gumbel law
(extreme value theory; E. J. Gumbel, Statistics of Extremes, 1958) fitted by its moments.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sidekeep.dsp.level.loudness import LoudnessMeter
from sidekeep.dsp.level.true_peak import true_peak_of_piece
from sidekeep.dsp.noise.hum import find_hum
from sidekeep.flow.needle.needle_watch import NeedleEvent, NeedleState, NeedleWatch
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.ports import Audio
from sidekeep.model.news import News
from sidekeep.units import MINIMUM_DB, gain_to_db, power_to_db

HOLD_S = 2.0
"""Sound kept for looking back at. Chosen by hand, no finer reason."""
FORECAST_BLOCK_S = 10.0
"""The highest peaks of so long are what the law of extremes is fitted to; a side has a hundred of them. Chosen by hand, no
finer reason."""
_CLIP = 1.0 - 2.0**-15
"""Full scale of 16 bits: a sample there is at the rail of the coarsest converter met with."""
_EULER = 0.5772156649015329
"""Euler's constant: mean of the standard Gumbel law."""
_MUSIC_WITHIN_DB = 40.0
"""Ten seconds this far under the loudest ones are groove noise or a pause and say nothing of the music's peaks."""
_MOMENTARY_S = 0.4
"""The window of momentary loudness (EBU Tech 3341)."""
_SHOWN_S = 0.2
"""What a peak meter shows: long enough to be read, short enough to move with the music. Chosen by hand, no finer reason."""
_CHAIN_S = 4.0
"""Noise and hum of the chain are measured over so much of it. Chosen by hand, no finer reason."""
_HUM_DBFS = -60.0
"""Hum from here on is worth a word before the needle is lowered. Chosen by hand, no finer reason."""
_CHANNELS_AFTER_S, _LEVEL_AFTER_S = 2.0, 5.0
"""Music that must be heard before a channel is called dead, or the level right. Chosen by hand, no finer reason."""
_DEAD, _OUT_OF_PHASE = 1e-4, -0.5
"""A channel 40 dB under the other is dead; music is seldom so far out of phase by itself. Chosen by hand, no finer reason."""
_HOT_DBFS = -1.0
"""A forecast this near full scale, its deviation added, is too near. Chosen by hand, no finer reason."""
_TURN_DOWN_CLIPPED_DB, _TURN_DOWN_HOT_DB, _TURN_UP_MORE_DB = 6.0, 3.0, 2.0
"""How far to turn: clipping hides how high it goes; into the middle of the aim, not to its lower end. Chosen by hand."""


@dataclass(frozen=True, kw_only=True)
class GaugeSettings:
    """The aim, in dBFS of the highest peak."""

    lowest_peak_dbfs: float = -12.0
    highest_peak_dbfs: float = -6.0
    side_length_s: float = 1320.0

    @classmethod
    def for_bits(cls, bits: int) -> GaugeSettings:
        """16 bits have no headroom to spare."""
        return cls() if bits >= 24 else cls(lowest_peak_dbfs=-8.0, highest_peak_dbfs=-5.0)

    @classmethod
    def up_to(cls, peak_dbfs: float) -> GaugeSettings:
        """An aim of one's own: peaks in the 6 dB up to it."""
        return cls(lowest_peak_dbfs=peak_dbfs - 6.0, highest_peak_dbfs=peak_dbfs)


@dataclass(frozen=True, kw_only=True)
class GaugeReading:
    """One look. Peaks are per channel in dBFS; ``held`` is the highest of the last two seconds, ``highest``
    since the needle went down. ``correlation`` is that of the channels (1 mono, -1 out of phase). ``advice`` is
    what to do, as a code with facts: ``hum``, ``lower-needle``, ``clipped``, ``channel-dead``, ``out-of-phase``, ``turn-down``,
    ``listening``, ``turn-up``, ``may-be-hot``, ``level-right``."""

    time_s: float
    needle: NeedleState
    peak_dbfs: tuple[float, ...]
    held_dbfs: tuple[float, ...]
    highest_dbfs: float
    true_peak_dbtp: float
    momentary_lufs: float
    balance_db: float
    correlation: float
    dc: tuple[float, ...]
    clipped_frames: int
    noise_dbfs: float
    hum_hz: float
    hum_dbfs: float
    forecast_dbfs: float
    forecast_sd_db: float
    advice: News


class Gauge:
    """Feed it blocks; ``reading`` may be asked at any time."""

    def __init__(self, *, rate_hz: int, channels: int, settings: GaugeSettings | None = None) -> None:
        self.settings = settings or GaugeSettings()
        self._rate_hz, self._channels = rate_hz, channels
        self.watch = NeedleWatch(rate_hz=rate_hz, channels=channels)
        self.frames = 0
        self._recent: list[tuple[int, Audio]] = []
        self._idle: list[Audio] = []
        self._idle_frames = 0
        self._hum = (0.0, MINIMUM_DB)
        self._chain: Audio | None = None
        self._noise_dbfs = MINIMUM_DB
        self._start()

    def _start(self) -> None:
        """Afresh, as when a needle goes down."""
        self._peak = np.zeros(self._channels)
        self._true_peak = 0.0
        self._clipped = 0
        self._sum = np.zeros(self._channels)
        self._power = np.zeros(self._channels)
        self._product = 0.0
        self._played = 0
        self._block_peaks: list[float] = []
        self._block_peak = 0.0
        self._block_frames = 0

    def expect_side(self, length_s: float | None) -> None:
        """How long the side is that plays, in seconds, for the forecast; None where nothing is printed: as long as a full one."""
        usual_s = GaugeSettings.side_length_s
        self.settings = replace(self.settings, side_length_s=usual_s if length_s is None else length_s)

    @property
    def needle(self) -> NeedleState:
        """Where the needle is."""
        return self.watch.state

    @property
    def clipped_frames(self) -> int:
        """Frames at full scale since the needle went down."""
        return self._clipped

    def process(self, block: Audio) -> list[NeedleEvent]:
        """Take (n, channels) frames; what the needle did."""
        events = self.watch.process(block)
        if any(event.state == "down" for event in events) and self.watch.state == "down":
            self._start()
        self.frames += len(block)
        self._remember(block)
        if self.watch.state == "up":
            self._listen_to_the_chain(block)
        else:
            self._listen_to_the_record(block)
        return events

    def _remember(self, block: Audio) -> None:
        self._recent.append((self.frames, block))
        while self._recent[0][0] < self.frames - HOLD_S * self._rate_hz:
            self._recent.pop(0)

    def _listen_to_the_chain(self, block: Audio) -> None:
        self._idle.append(block)
        self._idle_frames += len(block)
        if self._idle_frames >= _CHAIN_S * self._rate_hz:
            chain = np.concatenate(self._idle)
            self._noise_dbfs = power_to_db(float(((chain - chain.mean(axis=0)) ** 2).mean()))
            self._chain = chain
            self._idle, self._idle_frames = [], 0

    def _listen_to_the_record(self, block: Audio) -> None:
        self._idle, self._idle_frames = [], 0
        lines = np.ascontiguousarray(block.T)  # along a line it is several times as fast as along rows of two
        size = np.abs(lines)
        peak = size.max(axis=1, initial=0.0)
        highest = float(peak.max())
        self._peak = np.maximum(self._peak, peak)
        if not highest < _CLIP:
            self._clipped += int((size >= _CLIP).any(axis=0).sum())
        self._sum += lines.sum(axis=1)
        self._power += np.square(lines).sum(axis=1)
        if self._channels == 2:
            self._product += float(lines[0] @ lines[1])
        self._played += len(block)
        self._block_peak = max(self._block_peak, highest)
        self._block_frames += len(block)
        if self._block_frames >= FORECAST_BLOCK_S * self._rate_hz:
            self._block_peaks.append(self._block_peak)
            self._block_peak, self._block_frames = 0.0, 0

    def reading(self) -> GaugeReading:
        """What there is to say now."""
        if self._chain is not None:
            # Costly, so only for somebody who looks.
            hum, self._chain = find_hum(self._chain, rate_hz=self._rate_hz), None
            self._hum = (hum.frequency_hz, hum.level_dbfs)
        held = np.concatenate([block for _, block in self._recent] or [np.zeros((1, self._channels))])
        self._true_peak = true_peak_of_piece(numbers_only(held), rate_hz=self._rate_hz, least=self._true_peak)
        momentary = held[-round(_MOMENTARY_S * self._rate_hz) :]
        sizes = np.abs(np.ascontiguousarray(held.T))
        last = sizes[:, -round(_SHOWN_S * self._rate_hz) :]
        forecast, sd = forecast_peak(self._block_peaks, self.settings.side_length_s)
        power = self._power / max(1, self._played)
        both = math.sqrt(self._power[0] * self._power[-1]) if self._channels == 2 else 0.0
        highest = gain_to_db(float(self._peak.max()))
        return GaugeReading(
            time_s=self.frames / self._rate_hz,
            needle=self.watch.state,
            peak_dbfs=tuple(gain_to_db(float(peak)) for peak in last.max(axis=1)),
            held_dbfs=tuple(gain_to_db(float(peak)) for peak in sizes.max(axis=1)),
            highest_dbfs=highest,
            true_peak_dbtp=gain_to_db(self._true_peak),
            momentary_lufs=_momentary_lufs(momentary, self._rate_hz),
            balance_db=power_to_db(float(power[0])) - power_to_db(float(power[-1])),
            correlation=self._product / both if both > 0.0 else 0.0,
            dc=tuple(float(value) for value in self._sum / max(1, self._played)),
            clipped_frames=self._clipped,
            noise_dbfs=self._noise_dbfs,
            hum_hz=self._hum[0],
            hum_dbfs=self._hum[1],
            forecast_dbfs=forecast,
            forecast_sd_db=sd,
            advice=self._advice(highest, forecast, sd, power, both),
        )

    def _advice(self, highest: float, forecast: float, sd: float, power: Audio, both: float) -> News:
        settings = self.settings
        if self.watch.state == "up" and self._played == 0:
            if self._hum[0] and self._hum[1] > _HUM_DBFS:
                facts = {"hum_hz": round(self._hum[0], 1), "hum_dbfs": round(self._hum[1])}
                return News(code="hum", severity="look", facts=facts)
            return News(code="lower-needle")
        if self._clipped:
            return News(code="clipped", severity="act", facts={"turn_down_db": _TURN_DOWN_CLIPPED_DB})
        if self._played > _CHANNELS_AFTER_S * self._rate_hz and self._channels == 2:
            if min(power) < _DEAD * max(power):
                return News(
                    code="channel-dead", severity="act", facts={"channel": "LR"[int(np.argmin(power))]}
                )
            if both > 0.0 and self._product / both < _OUT_OF_PHASE:
                return News(code="out-of-phase", severity="act")
        so_far = {"highest_dbfs": round(highest, 1)}
        if highest > settings.highest_peak_dbfs:
            down = float(max(1.0, round(highest - settings.highest_peak_dbfs)))
            return News(code="turn-down", severity="look", facts={**so_far, "turn_down_db": down})
        if self._played < _LEVEL_AFTER_S * self._rate_hz:
            return News(code="listening", facts=so_far)
        if forecast < settings.lowest_peak_dbfs and highest < settings.lowest_peak_dbfs:
            up = float(round(settings.lowest_peak_dbfs - max(highest, forecast) + _TURN_UP_MORE_DB))
            return News(code="turn-up", severity="look", facts={**so_far, "turn_up_db": up})
        louder = round(forecast, 1) > so_far["highest_dbfs"] and self.watch.state != "run-out"
        if louder and forecast + sd > _HOT_DBFS:
            facts = {**so_far, "forecast_dbfs": round(forecast, 1), "turn_down_db": _TURN_DOWN_HOT_DB}
            return News(code="may-be-hot", severity="look", facts=facts)
        return News(code="level-right", facts=so_far)


def forecast_peak(block_peaks: list[float], side_length_s: float) -> tuple[float, float]:
    """The peak of a whole side in dBFS and its standard deviation in dB, from peaks of ten-second blocks.

    Below three blocks nothing is claimed: the highest so far with an uncertainty of 6 dB. Blocks without music do not
    count, and no converter gives more than full scale, so 0 dBFS means full scale or more.
    """
    levels = np.array([gain_to_db(peak) for peak in block_peaks if peak > 0.0])
    levels = levels[levels > levels.max(initial=MINIMUM_DB) - _MUSIC_WITHIN_DB]
    if len(levels) < 3:
        return (float(levels.max()) if len(levels) else MINIMUM_DB), 6.0
    scale = float(levels.std(ddof=1)) * math.sqrt(6.0) / math.pi
    place = float(levels.mean()) - _EULER * scale
    blocks = max(len(levels), math.ceil(side_length_s / FORECAST_BLOCK_S))
    # The maximum of n draws of a Gumbel law is a Gumbel law of the same scale, moved up by scale ln n.
    expected = place + scale * (math.log(blocks) + _EULER)
    spread = math.pi * scale / math.sqrt(6.0)
    fit = scale * math.log(blocks) / math.sqrt(2.0 * len(levels))
    return min(0.0, max(float(levels.max()), expected)), math.hypot(spread, fit)


def _momentary_lufs(block: Audio, rate_hz: int) -> float:
    if len(block) < round(_MOMENTARY_S * rate_hz):
        return MINIMUM_DB
    meter = LoudnessMeter(rate_hz, block.shape[1], polls=False)
    meter.process(numbers_only(block))
    meter.finish()
    powers = meter.powers
    power = float(powers.mean()) if len(powers) else 0.0
    return power_to_db(power) - 0.691 if power > 0.0 else MINIMUM_DB
