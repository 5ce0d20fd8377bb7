"""What has changed between two takes of one side: the measurements of one comparison, in two passes over both.

First pass: onsets (``alignment``). Second: the curve, then band powers, low frequencies, channel mixing and marks in
one go over aligned blocks. What follows from the numbers is said in ``conclusions``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.turn.period import TurnEstimate
from sidekeep.flow.comparison.differences.bands import (
    BandChange,
    FramePowers,
    band_changes,
    frame_powers,
    joined,
)
from sidekeep.flow.comparison.differences.distortion import Distortion, distortion_of
from sidekeep.flow.comparison.differences.idle import NO_IDLE, IdleNoise, idle_level
from sidekeep.flow.comparison.differences.mixing import (
    ChannelPowers,
    MixingChange,
    channel_powers,
    mixing_changes,
)
from sidekeep.flow.comparison.differences.noise import LowPowers, NoiseChange, low_powers, noise_changes
from sidekeep.flow.comparison.differences.one_playing import is_one_playing
from sidekeep.flow.comparison.differences.spans import groove_span, music_span, shared_span
from sidekeep.flow.comparison.laying.alignment import Alignment, align_takes
from sidekeep.flow.comparison.laying.channels import Mixed, OneChannel
from sidekeep.flow.comparison.laying.jumps import Jump
from sidekeep.flow.comparison.laying.laid import BLOCK_S, Laid, common_rate, each_block
from sidekeep.flow.comparison.marks.faint import without_faint
from sidekeep.flow.comparison.marks.marks import BlockMarks, Mark, find_marks
from sidekeep.flow.comparison.marks.turns import placed, turn_of
from sidekeep.flow.ports import AudioSource, Progress, no_progress
from sidekeep.flow.progress import part

Floats = NDArray[np.float64]

_HALF_TAPS = 31
GAIN_TAPS = 2 * _HALF_TAPS + 1
PREVIEW_S = 60.0
LEVEL_HZ = (200.0, 2000.0)
"""Taps lie about a middle one, so they are odd in number (zero phase); 0.7 kHz fine at 44.1 kHz, as third octaves are from 3 kHz
on. A minute of the middle tells the gain. Between 200 Hz and 2 kHz neither rumble nor wear nor the stylus changes the level
(common practice, no source). No matter (see the README)."""
THIRD_OCTAVE = 10.0**0.1
"""A band ends half of it over its middle; the other half is what the wall of an edge takes."""
LEVEL_FLOOR_DB = 0.3
"""Gain and balance of a chain differ by so much from one evening to the next (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """All that was measured. With other recordings (``alignment.is_same`` false) everything else is empty."""

    alignment: Alignment
    is_one_playing: bool = False
    length_s: float = 0.0
    music_s: tuple[float, float] = (0.0, 0.0)
    groove_s: tuple[float, float] = (0.0, 0.0)
    covered: float = 0.0
    rate_hz: int = 0
    bands: tuple[BandChange, ...] = ()
    noise: tuple[NoiseChange, ...] = ()
    idle: IdleNoise = NO_IDLE
    distortion: tuple[Distortion, ...] = ()
    mixing: tuple[MixingChange, ...] = ()
    marks: tuple[Mark, ...] = ()
    persisting_s: Floats = dataclasses.field(default_factory=lambda: np.zeros(0))
    persisting_db: Floats = dataclasses.field(default_factory=lambda: np.zeros(0))
    turn: TurnEstimate = dataclasses.field(default_factory=TurnEstimate)

    @property
    def channels(self) -> tuple[int, ...]:
        """Channels that were compared: 0 left, 1 right, or 0 alone for mono."""
        return tuple(sorted({band.channel for band in self.bands}))

    @property
    def jumps(self) -> tuple[Jump, ...]:
        """Moments of the music that one of the takes lacks."""
        return self.alignment.jumps

    @property
    def speed_ratio(self) -> float:
        """Seconds of the new take per second of the old one; what one of them lacks is no speed."""
        curve = self.alignment.curve
        if curve is None:
            return self.alignment.line.speed_ratio
        lacking_s = sum(jump.length_s for jump in self.jumps)
        return curve.speed_ratio + lacking_s / (curve.stop_s - curve.start_s)

    def level_change_db(self, channel: int, part: str = "all") -> float:
        """Change of the plain level: the middle of the bands between 200 Hz and 2 kHz; nan where too little is heard."""
        return float(np.median([band.change_db for band in self._level_bands(channel, part)] or [np.nan]))

    def level_detectable_db(self, channel: int, part: str = "all") -> float:
        """The smallest change of the plain level that could have been detected; inf where too little is heard."""
        seen_db = [band.detectable_db for band in self._level_bands(channel, part)]
        return float(np.hypot(LEVEL_FLOOR_DB, np.median(seen_db or [np.inf])))

    def _level_bands(self, channel: int, part: str) -> list[BandChange]:
        return [
            band
            for band in self.bands
            if band.part == part
            and band.channel == channel
            and LEVEL_HZ[0] < band.hz < LEVEL_HZ[1]
            and np.isfinite(band.change_db)
        ]

    def noise_of(self, kind: str, part: str = "all") -> NoiseChange | None:
        """One kind of noise on one part of the side; None where it could not be heard."""
        return next((one for one in self.noise if one.kind == kind and one.part == part), None)

    def mixing_of(self, part: str = "all") -> MixingChange | None:
        """Crosstalk on one part of the side; None where it could not be told."""
        return next((one for one in self.mixing if one.part == part), None)


def compare_takes(old: AudioSource, new: AudioSource, progress: Progress = no_progress) -> Comparison:
    """Compare two takes; other rates, speeds, starts, levels and polarity are allowed."""
    alignment = align_takes(old, new, part(progress, 0.0, 0.45))
    if alignment.curve is None:
        return Comparison(alignment=alignment)
    dead = alignment.dead_channel
    if dead is not None:
        # with nothing on one channel of one take, the other one alone is compared
        old, new = OneChannel(old, 1 - dead), OneChannel(new, 1 - dead)
    elif alignment.alike_take is not None:
        # channels that hold one sound are one channel, and what is compared with them as well
        old, new = Mixed(old), Mixed(new)
    music_s = music_span(alignment)
    middle = 0.5 * (music_s[0] + music_s[1])
    preview_s = (max(music_s[0], middle - PREVIEW_S / 2), min(music_s[1], middle + PREVIEW_S / 2))
    rate_hz = common_rate(old, new)
    gains = gain_filters(
        joined(list(each_block(old, new, alignment, frame_powers, span_s=preview_s))), rate_hz
    )

    curve = alignment.curve

    def measure(laid: Laid) -> tuple[FramePowers, BlockMarks, ChannelPowers, LowPowers]:
        return frame_powers(laid), find_marks(laid, gains, curve), channel_powers(laid), low_powers(laid)

    parts = []
    blocks = max(1.0, (curve.stop_s - curve.start_s) / BLOCK_S)
    for found in each_block(old, new, alignment, measure):
        parts.append(found)
        progress(0.45 + 0.55 * min(1.0, len(parts) / blocks), "listening to both")
    powers = joined([powers for powers, _, _, _ in parts])
    music_s = shared_span(powers, music_s)
    groove_s = groove_span(powers, music_s)
    both_s = np.concatenate([marks.both_s for _, marks, _, _ in parts])
    both_db = np.concatenate([marks.both_db for _, marks, _, _ in parts])
    sure = _where_sure(alignment)
    marks = [
        mark
        for _, found, _, _ in parts
        for mark in found.single
        if music_s[0] <= mark.start_s <= music_s[1] and sure(mark.start_s)
    ]
    turn = turn_of(both_s, both_db, marks, old.format.length_s)
    measures = _measures(alignment, powers, parts, music_s, groove_s)
    return Comparison(
        alignment=alignment,
        is_one_playing=is_one_playing(curve, powers),
        length_s=old.format.length_s,
        music_s=music_s,
        groove_s=groove_s,
        covered=(curve.stop_s - curve.start_s)
        / max(old.format.length_s, new.format.length_s / alignment.clock),
        rate_hz=rate_hz,
        **measures,
        idle=_idle(old, new, alignment, measures.get("noise", ()), music_s, rate_hz),
        marks=tuple(without_faint(placed(marks, turn))),
        persisting_s=both_s,
        persisting_db=both_db,
        turn=turn,
    )


def _measures(
    alignment: Alignment,
    powers: FramePowers,
    parts: Sequence[tuple[FramePowers, BlockMarks, ChannelPowers, LowPowers]],
    music_s: tuple[float, float],
    groove_s: tuple[float, float],
) -> dict[str, Any]:
    """Everything but marks. Nothing of takes at two standard speeds: the phono stage's equalisation and every noise of the
    player lie at other frequencies of the music. Nothing of bands above a sharp upper edge."""
    if alignment.speed is not None:
        return {}
    highest_hz = _highest_hz(alignment)
    return {
        "bands": tuple(
            change if change.hz < highest_hz else change.untold()
            for change in band_changes(powers, music_s, groove_s)
        ),
        "noise": tuple(
            noise_changes(powers, [low for _, _, _, low in parts], music_s, groove_s, highest_hz=highest_hz)
        ),
        "distortion": tuple(distortion_of(powers, music_s, groove_s)),
        "mixing": tuple(mixing_changes([mixing for _, _, mixing, _ in parts], music_s)),
    }


def _idle(
    old: AudioSource,
    new: AudioSource,
    alignment: Alignment,
    noise: Sequence[NoiseChange],
    music_s: tuple[float, float],
    rate_hz: int,
) -> IdleNoise:
    """What the chain of each take hisses without the needle, where there is surface noise to compare it with."""
    groove = next((one for one in noise if one.kind == "groove" and one.part == "all"), None)
    curve = alignment.curve
    if groove is None or curve is None:
        return NO_IDLE
    highest_hz = _highest_hz(alignment)
    first_s, last_s = (float(at_s) for at_s in curve.at(np.array(music_s)))
    return IdleNoise(
        old_dbfs=idle_level(old, music_s, groove.old_dbfs, rate_hz, highest_hz),
        new_dbfs=idle_level(new, (first_s, last_s), groove.new_dbfs, rate_hz, highest_hz),
    )


def _highest_hz(alignment: Alignment) -> float:
    """Up to where noise is compared: under a sharp upper edge of either take."""
    return min((one.edge_hz or np.inf for one in alignment.conditions or ()), default=np.inf) / THIRD_OCTAVE


def _where_sure(alignment: Alignment) -> Callable[[float], bool]:
    """Whether the takes lie close enough on each other at a moment for a difference to mean something."""
    curve = alignment.curve
    assert curve is not None
    moments = curve.start_s + curve.step_s * np.arange(len(curve.sd_s))

    def sure(at_s: float) -> bool:
        return bool(np.interp(at_s, moments, curve.sd_s) < 1e-4) and not any(
            jump.disturbs(at_s) for jump in alignment.jumps
        )

    return sure


def gain_filters(powers: FramePowers, rate_hz: int) -> Floats:
    """(channels, taps) zero-phase filters that give the new take the old one's level and treble, band by band."""
    changes = [
        change for change in band_changes(powers, (powers.at_s[0], powers.at_s[-1])) if change.part == "all"
    ]
    hz = np.fft.rfftfreq(1024, 1.0 / rate_hz)
    filters = []
    for channel in range(powers.old.shape[2]):
        known = [(c.hz, c.change_db) for c in changes if c.channel == channel and np.isfinite(c.change_db)]
        if not known:
            filters.append(np.eye(1, GAIN_TAPS, _HALF_TAPS)[0])
            continue
        gain_db = np.interp(np.log(hz + 1.0), np.log([h + 1.0 for h, _ in known]), [-db for _, db in known])
        pulse = np.fft.irfft(10.0 ** (gain_db / 20.0), 1024)
        taps = np.roll(pulse, _HALF_TAPS)[:GAIN_TAPS] * np.hanning(GAIN_TAPS + 2)[1:-1]
        taps *= np.sum(pulse) / max(np.sum(taps), 1e-9)
        filters.append(taps)
    return np.stack(filters)
