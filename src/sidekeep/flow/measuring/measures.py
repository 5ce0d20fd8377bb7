"""Level meters of a take: they hear every block once and answer for any spans afterwards.

Blocks are (frames, channels), float64. Everything is kept as one row per 100 ms, so the spans (the music of a
side, the time the needle is down) may be chosen after the last block. Loudness and balance count the windows
that lie wholly inside a span; peaks count every window a span touches, so that a gain made from them is safe.
Samples that are not numbers are counted, reported and measured as silence.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.grid import WindowMeter, Windows, check_block, window_frames
from sidekeep.dsp.level.channels import ChannelMeter
from sidekeep.dsp.level.clipping import ClippingMeter, LevelRuns, clipped_frames
from sidekeep.dsp.level.flat_tops import FlatTops, judge_flat_tops
from sidekeep.dsp.level.loudness import LoudnessMeter, integrated_loudness, loudness_range
from sidekeep.dsp.level.mirrors import MirrorMeter
from sidekeep.dsp.level.sample_levels import SampleMeter, all_numbers
from sidekeep.dsp.level.true_peak import TruePeakMeter
from sidekeep.flow.measuring.level_findings import LevelEvidence, find_faults
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Finding
from sidekeep.model.measures import Level
from sidekeep.units import MINIMUM_DB, gain_to_db

FrameSpans = Sequence[tuple[int, int]]
"""Half-open (start_frame, stop_frame) pairs in order."""
_MUSIC_GATE = 0.01
"""Without spans, windows within 20 dB of the loud ones stand for the music."""


def windows_inside(spans: FrameSpans, length: int, count: int) -> list[slice]:
    """Per span, the windows of ``length`` frames that lie wholly inside it."""
    return [
        slice(min(count, -(-max(0, start) // length)), min(count, max(0, stop) // length))
        for start, stop in spans
    ]


def windows_touching(spans: FrameSpans, length: int, count: int) -> NDArray[np.bool_]:
    """Which windows hold any frame of the spans, shape (count,)."""
    touched = np.zeros(count, np.bool_)
    for start, stop in spans:
        if stop > start:
            touched[max(0, start) // length : -(-max(0, stop) // length)] = True
    return touched


class JointMeter:
    """Several window meters on one grid: the stream is cut up once."""

    def __init__(self, rate_hz: int, channels: int, meters: Sequence[WindowMeter]) -> None:
        self.rate_hz = rate_hz
        self.channels = channels
        self.window_frames = window_frames(rate_hz)
        self._meters = meters
        self._before = max(meter.before for meter in meters)
        after = max(meter.after for meter in meters)
        self._windows = Windows(self.window_frames, channels, before=self._before, after=after)
        self._is_open = True
        self.length_frames = 0
        self.odd_frames = 0
        self.first_odd_frame = 0
        self.last_odd_frame = 0

    def process(self, block: Audio, *, is_clean: bool = False) -> None:
        """Take the next frames, shape (n, channels); ``is_clean`` when they are known to be numbers only."""
        check_block(block, self.channels)
        self._feed(self._windows.push(block if is_clean else self._numbers_only(block)))
        self.length_frames += len(block)

    def close(self) -> None:
        """Count what the last window holds; asking for a result does it too. No blocks after that."""
        if self._is_open:
            self._is_open = False
            self._feed(self._windows.rest())
            for meter in self._meters:
                if isinstance(meter, ClippingMeter):
                    meter.close()

    def _feed(self, windows: Iterator[tuple[Audio, int]]) -> None:
        for frames, count in windows:
            for meter in self._meters:
                start = self._before - meter.before
                meter.window(frames[start : self._before + self.window_frames + meter.after], count)

    def _numbers_only(self, block: Audio) -> Audio:
        if all_numbers(block):
            return block
        odd = ~np.isfinite(block)
        frames = np.flatnonzero(odd.any(axis=1))
        if self.odd_frames == 0:
            self.first_odd_frame = self.length_frames + int(frames[0])
        self.last_odd_frame = self.length_frames + int(frames[-1])
        self.odd_frames += len(frames)
        return np.where(odd, 0.0, block)


class PeakLoudnessMeter(JointMeter):
    """True peak and loudness of any spans: enough to choose one gain for a record."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._loudness = LoudnessMeter(rate_hz, channels, polls=False)
        self._peaks = TruePeakMeter(rate_hz, channels)
        super().__init__(rate_hz, channels, (self._loudness, self._peaks))

    def true_peak(self, spans: FrameSpans | None = None) -> float:
        """Linear true peak over the spans (everything without them)."""
        self.close()
        return _highest(self._peaks.peaks, spans, self.window_frames)

    def powers(self, spans: FrameSpans | None = None) -> list[NDArray[np.float64]]:
        """The 100 ms powers of each span, for measures over several takes."""
        self.close()
        return _pieces(self._loudness.powers, spans, self.window_frames)

    def integrated_lufs(self, spans: FrameSpans | None = None) -> float:
        """Integrated loudness of the spans as one programme."""
        return integrated_loudness(self.powers(spans))

    def range_lu(self, spans: FrameSpans | None = None) -> float:
        """Loudness range of the spans as one programme."""
        return loudness_range(self.powers(spans))

    @property
    def window_powers(self) -> NDArray[np.float64]:
        """One K-weighted power per window of ``window_frames``."""
        return self._loudness.powers

    @property
    def window_peaks(self) -> NDArray[np.float64]:
        """One linear true peak per window of ``window_frames``."""
        return self._peaks.peaks


@dataclass(frozen=True, kw_only=True)
class LevelSoFar:
    """The level of what was heard by now; ``integrated_lufs`` is None before there is enough to say."""

    sample_peak_dbfs: float
    true_peak_dbtp: float
    integrated_lufs: float | None
    clipped_frames: int


class LevelMeter(JointMeter):
    """All level measures of a take and the faults they show."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._loudness = LoudnessMeter(rate_hz, channels, polls=False)
        self._peaks = TruePeakMeter(rate_hz, channels)
        self._samples = SampleMeter(rate_hz, channels)
        self._clipping = ClippingMeter(rate_hz, channels)
        self._channels = ChannelMeter(rate_hz, channels)
        self._mirrors = MirrorMeter(rate_hz, channels)
        super().__init__(
            rate_hz,
            channels,
            (self._loudness, self._peaks, self._samples, self._clipping, self._channels, self._mirrors),
        )

    def finish(self, music_spans: FrameSpans | None = None, needle_spans: FrameSpans | None = None) -> Level:
        """The level over the music; may be asked again for other spans.

        Loudness, range, offset and balance are of ``music_spans`` (the whole take without them); peaks and
        clipped frames of ``needle_spans``, or of the music when those are not given.
        """
        self.close()
        peak_spans = needle_spans if needle_spans is not None else music_spans
        pieces = _pieces(self._loudness.powers, music_spans, self.window_frames)
        sums = self._samples.sums(self._music_windows(music_spans) if music_spans is not None else None)
        return Level(
            sample_peak_dbfs=gain_to_db(_highest(self._samples.peaks, peak_spans, self.window_frames)),
            true_peak_dbtp=gain_to_db(_highest(self._peaks.peaks, peak_spans, self.window_frames)),
            integrated_lufs=integrated_loudness(pieces),
            range_lu=loudness_range(pieces),
            clipped_frames=clipped_frames(_within(self._clipping.runs, peak_spans)),
            dc=tuple(float(value) for value in sums.dc),
            balance_db=sums.balance_db,
        )

    def so_far(self, start_frame: int = 0) -> LevelSoFar:
        """The level from a frame on, of the windows that are complete by now; blocks may go on coming."""
        span = [(start_frame, self.length_frames)]
        loudness = integrated_loudness(_pieces(self._loudness.powers, span, self.window_frames))
        return LevelSoFar(
            sample_peak_dbfs=gain_to_db(_highest(self._samples.peaks, span, self.window_frames)),
            true_peak_dbtp=gain_to_db(_highest(self._peaks.peaks, span, self.window_frames)),
            integrated_lufs=loudness if loudness > MINIMUM_DB else None,
            clipped_frames=clipped_frames(_within(self._clipping.runs, span)),
        )

    def peaks_so_far(self) -> NDArray[np.float64]:
        """Largest sample of every complete window of ``window_frames``, all channels together."""
        return self._samples.peaks.max(axis=1)

    @property
    def window_powers(self) -> NDArray[np.float64]:
        """One K-weighted power per window of ``window_frames``."""
        return self._loudness.powers

    @property
    def window_peaks(self) -> NDArray[np.float64]:
        """One linear true peak per window of ``window_frames``."""
        return self._peaks.peaks

    def findings(self, format: AudioFormat, music_spans: FrameSpans | None = None) -> list[Finding]:
        """What is wrong or worth knowing about the channels, the samples and the level."""
        self.close()
        chosen = self._music_windows(music_spans)
        return find_faults(
            LevelEvidence(
                rate_hz=self.rate_hz,
                channels=self.channels,
                length_frames=self.length_frames,
                odd_frames=self.odd_frames,
                odd_span=(self.first_odd_frame, self.last_odd_frame + 1),
                whole=self._samples.sums(),
                music=self._samples.sums(chosen),
                true_peak=self._peaks.peak,
                runs=self._clipping.runs,
                flat_tops=self._flat_tops(chosen),
                still_spans=self._channels.still_spans,
                bits_in_use=self._channels.bits_in_use,
                bass_correlation=self._channels.bass_correlation,
                band_limit=self._channels.band_limit,
                mirrors=self._mirrors.found(),
                powers=self._samples.mean_squares,
                window_frames=self.window_frames,
            ),
            format,
        )

    def _music_windows(self, spans: FrameSpans | None) -> NDArray[np.bool_]:
        count = len(self._samples)
        chosen = np.zeros(count, np.bool_)
        if spans is not None:
            for piece in windows_inside(spans, self.window_frames, count):
                chosen[piece] = True
            return chosen
        power = self._samples.mean_squares.sum(axis=1)
        if count:
            chosen = power > _MUSIC_GATE * np.percentile(power, 90)
        return chosen

    def _flat_tops(self, chosen: NDArray[np.bool_]) -> list[FlatTops]:
        if not chosen.any():
            return []
        tops = self._clipping.tops
        inside = chosen[np.minimum(tops.start_frame // self.window_frames, len(chosen) - 1)]
        high = self._samples.high[chosen].max(axis=0)
        low = self._samples.low[chosen].min(axis=0)
        return judge_flat_tops(tops.chosen(inside), high, low)


def _pieces(powers: NDArray[np.float64], spans: FrameSpans | None, length: int) -> list[NDArray[np.float64]]:
    if spans is None:
        return [powers]
    return [powers[piece] for piece in windows_inside(spans, length, len(powers))]


def _highest(peaks: NDArray[np.float64], spans: FrameSpans | None, length: int) -> float:
    if spans is None:
        return float(peaks.max(initial=0.0))
    return float(peaks[windows_touching(spans, length, len(peaks))].max(initial=0.0))


def _within(runs: LevelRuns, spans: FrameSpans | None) -> LevelRuns:
    if spans is None:
        return runs
    keep = np.zeros(len(runs), np.bool_)
    for start, stop in spans:
        keep |= (runs.start_frame < stop) & (runs.stop_frame > start)
    return runs.chosen(keep)
