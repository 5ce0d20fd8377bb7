"""Two takes of one side laid on each other over their whole length: offset, speed, drift, wow.

The old take is the ruler. One pass over both finds the line they lie on (``dsp.alignment.rough``) or that they are
different recordings; a second finds the curve (``curve``), and once more on either side of every moment that one take lacks
(``pieces``). All work at a low common rate.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.fine import KNOT_S, near_delays
from sidekeep.dsp.alignment.onsets import FEATURE_HZ, OnsetFeatures
from sidekeep.dsp.alignment.pitch import PitchProfile
from sidekeep.dsp.alignment.rough import RoughLine, Told, follow, rough_line
from sidekeep.dsp.alignment.sinc import read_at
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.dsp.output.resample import Resampler
from sidekeep.errors import ParameterError
from sidekeep.flow.comparison.laying.channels import OneInverted
from sidekeep.flow.comparison.laying.condition import Condition, ConditionMeter
from sidekeep.flow.comparison.laying.curve import (
    BLOCK_S,
    FINE_HZ,
    LEAST_CLEAR,
    NEAR_HZ,
    NEAR_REACH_S,
    lay_curve,
)
from sidekeep.flow.comparison.laying.jumps import Jump, find_jumps
from sidekeep.flow.comparison.laying.pieces import lay_in_pieces
from sidekeep.flow.comparison.laying.reading import read_span
from sidekeep.flow.comparison.laying.speeds import OtherSpeed, as_played, other_speeds
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.ports import Audio, AudioSource, Progress, no_progress
from sidekeep.model.audio import AudioFormat

Floats = NDArray[np.float64]

FEED_FRAMES = 131072
"""A few seconds at once; any size gives the same features."""
ALIKE, CLEARLY = 1e-3, 10.0
"""Share of a channel that the other one has not, under which both hold one sound (noise of a mono record in stereo and the lean
of the cartridge leave more), and by how much the other take must have more of it (chosen here, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Alignment:
    """How two takes lie on each other. ``sign`` is -1 when one is of inverted polarity, ``inverted`` the channel of the new
    take that alone is inverted (before ``sign``), ``is_swapped`` when left and right changed places; ``sd_s`` typical
    deviation of the curve where there is music; ``curve`` None when the takes are not the same cutting; ``jumps`` moments that
    one of them lacks; ``speed`` where the takes were played at different standard speeds: then the line and the curve tell of the
    new take as if it had been played at the old one's, and each of their seconds is ``clock`` seconds of the new take itself;
    ``conditions`` what else the first reading told of the old take and the new one."""

    line: RoughLine
    curve: TimeMap | None
    jumps: tuple[Jump, ...] = ()
    sign: float = 1.0
    inverted: int | None = None
    is_swapped: bool = False
    sd_s: float = float("inf")
    speed: OtherSpeed | None = None
    clock: float = 1.0
    conditions: tuple[Condition, Condition] | None = None

    @property
    def dead_channel(self) -> int | None:
        """The channel that is silent on one of two stereo takes, or on both."""
        found = [one.dead_channel for one in self.conditions or ()]
        return next((channel for channel in found if channel is not None), None)

    @property
    def alike_take(self) -> Literal["old", "new"] | None:
        """The stereo take whose channels hold one sound while those of the other do not: a mono switch, or one lead on both
        inputs. A mono record that was taken in stereo twice is no such pair."""
        old, new = (one.own_share for one in self.conditions or (Condition(), Condition()))
        if min(old, new) > ALIKE or max(old, new) < CLEARLY * min(old, new):
            return None
        return "old" if old < new else "new"

    @property
    def is_same(self) -> bool:
        """Whether both takes hold the same cutting."""
        return self.curve is not None


def align_takes(old: AudioSource, new: AudioSource, progress: Progress = no_progress) -> Alignment:
    """Lay ``new`` on ``old``; other rate, speed, start, level, polarity and length allowed. Raises ``ParameterError`` for more
    than two channels."""
    for source in (old, new):
        if source.format.channels > 2:
            raise ParameterError("take-of-many-channels", channels=source.format.channels)
    with ThreadPoolExecutor(2, thread_name_prefix="align") as pool:
        meters = [ConditionMeter(source.format) for source in (old, new)]
        rate_hz = onset_rate(old, new)
        first = pool.submit(listen, old, rate_hz, meters[0].process)
        told_new = listen(new, rate_hz, meters[1].process)
        told_old = first.result()
    conditions = meters[0].finish(), meters[1].finish()
    progress(0.25, "comparing onsets and notes")
    line = rough_line(told_old, told_new)
    speed: OtherSpeed | None = None
    own_hz = new.format.rate_hz
    for pair in () if line.is_same else other_speeds(old, new):
        other = as_played(new, pair)
        # the windows of both are told at one rate again
        rate_hz = onset_rate(old, other)
        told_old, told_new = (listen(source, rate_hz) for source in (old, other))
        found = rough_line(told_old, told_new)
        if found.is_same:
            line, speed, new = found, pair, other
            break
    if not line.is_same:
        return Alignment(line=line, curve=None, conditions=conditions)
    drift = follow(told_old.onsets, told_new.onsets, line)
    progress(0.3, "laying the takes on each other")
    inverted = inverted_channel(old, new, line, drift)
    laid = _fine(old, new if inverted is None else OneInverted(new, inverted), line, drift, progress)
    laid = replace(
        laid, inverted=inverted, speed=speed, clock=new.format.rate_hz / own_hz, conditions=conditions
    )
    # of two channels that hold one sound nobody can say that they changed places
    return laid if laid.alike_take is None else replace(laid, is_swapped=False)


def onset_rate(*sources: AudioSource) -> int:
    """The rate at which the onsets of all these takes are told: one for all, since windows and bands depend on it."""
    lowest_hz = min(source.format.rate_hz for source in sources)
    return min(FINE_HZ, lowest_hz - lowest_hz % FEATURE_HZ)


class Listening:
    """Onsets and notes of a take or a part of it as its blocks come, told at ``rate_hz`` (``onset_rate``)."""

    def __init__(self, form: AudioFormat, rate_hz: int) -> None:
        self._step = Resampler(form.rate_hz, rate_hz, form.channels)
        self._onsets, self._notes = OnsetFeatures(rate_hz), PitchProfile(rate_hz)

    def process(self, audio: Audio) -> None:
        """(n, channels) samples."""
        self._tell(self._step.process(audio))

    def finish(self) -> Told:
        """What was told."""
        self._tell(self._step.flush())
        return Told(onsets=self._onsets.finish(), notes=self._notes.finish())

    def _tell(self, audio: Audio) -> None:
        self._onsets.process(audio.mean(axis=1))
        self._notes.process(audio)


def listen(source: AudioSource, rate_hz: int, also: Callable[[Audio], None] | None = None) -> Told:
    """Onsets and notes of a whole take; every block is given to ``also`` too."""
    listening = Listening(source.format, rate_hz)
    for block in source.blocks(FEED_FRAMES):
        numbers = numbers_only(block)
        if also is not None:
            also(numbers)
        listening.process(numbers)
    return listening.finish()


def inverted_channel(old: AudioSource, new: AudioSource, line: RoughLine, drift: Floats) -> int | None:
    """The right channel (1) when one channel of the new stereo take has the polarity of the old one and the other has not.

    Half a minute from the middle of what both hold, each channel laid on its like; where they hold nothing in common (left and
    right in each other's places, or one of them silent) nothing is said.
    """
    if old.format.channels != 2 or new.format.channels != 2:
        return None
    low_s = max(0.0, -line.offset_s / line.speed_ratio)
    high_s = min(old.format.length_s, (new.format.length_s - line.offset_s) / line.speed_ratio)
    if line.cut is not None:
        low_s, high_s = max(low_s, line.cut.start_s), min(high_s, line.cut.stop_s)
    start_s = max(low_s, 0.5 * (low_s + high_s) - BLOCK_S / 2)
    stop_s = min(high_s, start_s + BLOCK_S)
    ruler, ruler_s = read_span(old, start_s, stop_s, NEAR_HZ)
    at_s = ruler_s + np.arange(len(ruler)) / NEAR_HZ
    new_s = line.offset_s + line.speed_ratio * at_s
    if len(drift):
        new_s = new_s + np.interp(at_s, np.arange(len(drift)) / FEATURE_HZ, drift)
    played, played_s = read_span(new, new_s.min() - 0.1, new_s.max() + 0.1, NEAR_HZ)
    laid = read_at(played, (new_s - played_s) * NEAR_HZ)
    signs = []
    for channel in (0, 1):
        _, clear, sign = near_delays(ruler[:, channel], laid[:, channel], NEAR_HZ, NEAR_REACH_S)
        if not len(clear) or float(np.median(clear)) < LEAST_CLEAR + 0.1:
            return None
        signs.append(sign)
    return 1 if signs[0] != signs[1] else None


def _fine(
    old: AudioSource, new: AudioSource, line: RoughLine, drift: Floats, progress: Progress
) -> Alignment:
    begin_s = max(0.0, -line.offset_s / line.speed_ratio)
    end_s = min(old.format.length_s, (new.format.length_s - line.offset_s) / line.speed_ratio)
    if line.cut is not None:
        begin_s, end_s = max(begin_s, line.cut.start_s), min(end_s, line.cut.stop_s)
    knots = max(4, int((end_s - begin_s) / KNOT_S))
    first_knot = int(np.ceil(begin_s / KNOT_S))
    moments: Floats = (first_knot + np.arange(knots, dtype=np.float64)) * KNOT_S
    rough_s: Floats = line.offset_s + line.speed_ratio * moments
    if len(drift):
        rough_s = rough_s + np.interp(moments, np.arange(len(drift)) / FEATURE_HZ, drift)

    def told(low: float, high: float) -> Callable[[float], None]:
        return lambda share: progress(low + (high - low) * share, "laying the takes on each other")

    laid = lay_curve(old, new, first_knot, rough_s, told(0.3, 0.85))
    curve, jumps = lay_in_pieces(old, new, laid.curve, find_jumps(laid.curve), told(0.85, 1.0))
    middle, side = float(np.sum(laid.middle_signs)), float(np.sum(laid.side_signs))
    return Alignment(
        line=line,
        curve=curve,
        jumps=tuple(jumps),
        sign=-1.0 if middle < 0.0 else 1.0,
        is_swapped=side * middle < 0.0 and abs(side) > 0.5 * len(laid.side_signs),
        sd_s=float(np.median(curve.sd_s)),
    )
