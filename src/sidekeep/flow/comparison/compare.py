"""What has changed between two takes of one side: the measurements of one comparison, in two passes over both.

First pass: onsets, noise (``alignment``, ``NoiseMeter``). Second: the curve, then band powers, channel mixing and marks in
one go over aligned blocks. What follows from the numbers is said in ``conclusions``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.turn.period import TurnEstimate, estimate_turn
from sidekeep.flow.comparison.alignment import Alignment, align_takes
from sidekeep.flow.comparison.bands import (
    BandChange,
    FramePowers,
    band_changes,
    frame_powers,
    joined,
    quiet_frames,
)
from sidekeep.flow.comparison.laid import Laid, common_rate, each_block
from sidekeep.flow.comparison.marks import BlockMarks, Mark, find_marks
from sidekeep.flow.comparison.mixing import MixingChange, channel_powers, mixing_change
from sidekeep.flow.noise import NoiseMeter
from sidekeep.flow.ports import AudioSource, Progress, no_progress
from sidekeep.flow.progress import part
from sidekeep.model.measures import Noise

Floats = NDArray[np.float64]

GAIN_TAPS = 63
CLEAR_SD_S = 5e-6
"""A knot as sure as this lies in music (a quarter of a frame at 48 kHz)."""
PREVIEW_S = 60.0
QUIET_S = 0.9
SCRATCH_MARKS = 4
SCRATCH_TOLERANCE_S = 0.006
MISSED_TURNS = 3


@dataclass(frozen=True, kw_only=True)
class NoiseChange:
    """New minus old of one kind of noise, and what could have been detected."""

    kind: str
    old_dbfs: float
    new_dbfs: float
    detectable_db: float

    @property
    def change_db(self) -> float:
        """New minus old."""
        return self.new_dbfs - self.old_dbfs


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """All that was measured. With other recordings (``alignment.is_same`` false) everything else is empty."""

    alignment: Alignment
    length_s: float = 0.0
    music_s: tuple[float, float] = (0.0, 0.0)
    covered: float = 0.0
    rate_hz: int = 0
    bands: tuple[BandChange, ...] = ()
    noise: tuple[NoiseChange, ...] = ()
    mixing: MixingChange | None = None
    marks: tuple[Mark, ...] = ()
    persisting_s: Floats = dataclasses.field(default_factory=lambda: np.zeros(0))
    persisting_db: Floats = dataclasses.field(default_factory=lambda: np.zeros(0))
    turn: TurnEstimate = dataclasses.field(default_factory=TurnEstimate)
    hum: tuple[Noise, Noise] | None = None

    def level_change_db(self, channel: int) -> float:
        """Change of the plain level: the middle of the bands between 200 Hz and 2 kHz."""
        values = [
            band.change_db
            for band in self.bands
            if band.part == "all"
            and band.channel == channel
            and 200.0 < band.hz < 2000.0
            and np.isfinite(band.change_db)
        ]
        return float(np.median(values)) if values else float("nan")


def compare_takes(old: AudioSource, new: AudioSource, progress: Progress = no_progress) -> Comparison:
    """Compare two takes; other rates, speeds, starts, levels and polarity are allowed."""
    alignment = align_takes(old, new, part(progress, 0.0, 0.45))
    if alignment.curve is None:
        return Comparison(alignment=alignment)
    music_s = music_span(alignment)
    middle = 0.5 * (music_s[0] + music_s[1])
    preview_s = (max(music_s[0], middle - PREVIEW_S / 2), min(music_s[1], middle + PREVIEW_S / 2))
    rate_hz = common_rate(old, new)
    gains = gain_filters(
        joined(list(each_block(old, new, alignment, frame_powers, span_s=preview_s))), rate_hz
    )

    def measure(laid: Laid) -> tuple[FramePowers, BlockMarks, NDArray[np.complex128]]:
        return frame_powers(laid), find_marks(laid, gains), channel_powers(laid)

    parts = []
    with ThreadPoolExecutor(2, thread_name_prefix="noise") as pool:
        noises = [pool.submit(_noise_of, source) for source in (old, new)]
        blocks = max(1.0, (alignment.curve.stop_s - alignment.curve.start_s) / 10.0)
        for found in each_block(old, new, alignment, measure):
            parts.append(found)
            progress(0.45 + 0.55 * min(1.0, len(parts) / blocks), "listening to both")
        meters = (noises[0].result(), noises[1].result())
    powers = joined([powers for powers, _, _ in parts])
    both_s = np.concatenate([marks.both_s for _, marks, _ in parts])
    both_db = np.concatenate([marks.both_db for _, marks, _ in parts])
    hum = _noise_in_quiet(powers, alignment, meters)
    sure = _where_sure(alignment)
    marks = [
        mark
        for _, found, _ in parts
        for mark in found.single
        if music_s[0] <= mark.start_s <= music_s[1] and sure(mark.start_s)
    ]
    turn = _turn_of(both_s, both_db, marks, old.format.length_s)
    return Comparison(
        alignment=alignment,
        length_s=old.format.length_s,
        music_s=music_s,
        covered=(alignment.curve.stop_s - alignment.curve.start_s)
        / max(old.format.length_s, new.format.length_s),
        rate_hz=rate_hz,
        bands=tuple(band_changes(powers, music_s)),
        noise=tuple(_noise_changes(powers, hum)),
        mixing=mixing_change([mixing for _, _, mixing in parts]),
        marks=tuple(_placed(marks, turn)),
        persisting_s=both_s,
        persisting_db=both_db,
        turn=turn,
        hum=hum,
    )


def music_span(alignment: Alignment) -> tuple[float, float]:
    """From the first to the last moment at which the curve is sure: there is music to hold on to."""
    curve = alignment.curve
    assert curve is not None
    # by whole seconds: the knock of the needle is alike on both takes too, for a moment
    size = round(1.0 / curve.step_s)
    count = len(curve.sd_s) // size
    seconds = np.median(curve.sd_s[: count * size].reshape(count, size), axis=1)
    sure = np.flatnonzero(seconds < CLEAR_SD_S)
    if len(sure) < 3:
        return curve.start_s, curve.stop_s
    return curve.start_s + float(sure[0]), curve.start_s + float(sure[-1]) + 1.0


def _where_sure(alignment: Alignment) -> Callable[[float], bool]:
    """Whether the takes lie close enough on each other at a moment for a difference to mean something."""
    curve = alignment.curve
    assert curve is not None
    moments = curve.start_s + curve.step_s * np.arange(len(curve.sd_s))

    def sure(at_s: float) -> bool:
        return bool(np.interp(at_s, moments, curve.sd_s) < 1e-4)

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
            filters.append(np.eye(1, GAIN_TAPS, GAIN_TAPS // 2)[0])
            continue
        gain_db = np.interp(np.log(hz + 1.0), np.log([h + 1.0 for h, _ in known]), [-db for _, db in known])
        pulse = np.fft.irfft(10.0 ** (gain_db / 20.0), 1024)
        taps = np.roll(pulse, GAIN_TAPS // 2)[:GAIN_TAPS] * np.hanning(GAIN_TAPS + 2)[1:-1]
        taps *= np.sum(pulse) / max(np.sum(taps), 1e-9)
        filters.append(taps)
    return np.stack(filters)


def _noise_of(source: AudioSource) -> NoiseMeter:
    meter = NoiseMeter(source.format.rate_hz, source.format.channels)
    for block in source.blocks(131072):
        meter.process(np.nan_to_num(block))
    return meter


def _noise_in_quiet(
    powers: FramePowers, alignment: Alignment, meters: tuple[NoiseMeter, NoiseMeter]
) -> tuple[Noise, Noise] | None:
    """Both takes' noise in the same quiet stretches of the groove; None where there is none long enough."""
    assert alignment.curve is not None
    quiet = quiet_frames(powers)
    edges = np.flatnonzero(np.diff(quiet.astype(np.int8), prepend=0, append=0))
    stretches = [
        (float(powers.at_s[first]), float(powers.at_s[last - 1]))
        for first, last in zip(edges[::2], edges[1::2], strict=True)
        if powers.at_s[last - 1] - powers.at_s[first] >= QUIET_S
    ]
    if sum(stop - start for start, stop in stretches) < 2.0 * QUIET_S:
        return None
    laid = [stretches, [tuple(alignment.curve.at(np.array(stretch))) for stretch in stretches]]
    found = [
        meter.finish([(int(low * meter.rate_hz), int(high * meter.rate_hz)) for low, high in spans])
        for meter, spans in zip(meters, laid, strict=True)
    ]
    return found[0], found[1]


def _noise_changes(powers: FramePowers, hum: tuple[Noise, Noise] | None) -> list[NoiseChange]:
    """Groove noise (above 500 Hz, in the quiet frames of both takes), rumble and hum."""
    changes = []
    quiet = quiet_frames(powers)
    if quiet.sum() >= 24:
        high = [i for i, hz in enumerate(powers.centres_hz) if hz >= 500.0]
        levels = []
        for side in (powers.old, powers.new):
            frames = side[quiet][:, high].sum(axis=1).mean(axis=1)
            levels.append(
                10.0 * np.log10(np.array([np.median(block) for block in np.array_split(frames, 8)]) + 1e-20)
            )
        difference = levels[1] - levels[0]
        changes.append(
            NoiseChange(
                kind="groove",
                old_dbfs=float(np.median(levels[0])),
                new_dbfs=float(np.median(levels[1])),
                detectable_db=max(0.3, 3.5 * 1.25 * float(np.std(difference)) / np.sqrt(8.0)),
            )
        )
    if hum is None:
        return changes
    changes.append(
        NoiseChange(
            kind="rumble", old_dbfs=hum[0].rumble_dbfs, new_dbfs=hum[1].rumble_dbfs, detectable_db=3.0
        )
    )
    changes.append(
        NoiseChange(kind="hum", old_dbfs=hum[0].hum_dbfs, new_dbfs=hum[1].hum_dbfs, detectable_db=3.0)
    )
    return changes


def _turn_of(both_s: Floats, both_db: Floats, marks: list[Mark], length_s: float) -> TurnEstimate:
    times = np.concatenate([both_s, [mark.start_s for mark in marks]])
    sizes = np.concatenate([both_db, [mark.size_db for mark in marks]])
    if len(times) < 5:
        return TurnEstimate()
    # the loudest say it as well as all of them, and a minute sooner
    loudest = np.sort(np.argsort(-sizes, kind="stable")[:2500])
    return estimate_turn(times[loudest], sizes[loudest], duration_s=length_s)


def _placed(marks: list[Mark], turn: TurnEstimate) -> list[Mark]:
    """Every mark with its angle, and those that come back turn after turn counted as one scratch."""
    if turn.source == "none":
        return marks
    period = turn.period_s
    scratch_of: dict[int, int] = {}
    number = 0
    for state in ("new", "gone"):
        chosen = [index for index, mark in enumerate(marks) if mark.state == state]
        times = np.array([marks[index].start_s for index in chosen])
        used: set[int] = set()
        for first in range(len(chosen)):
            if first in used:
                continue
            chain, at = [first], times[first]
            while True:
                after = times - at
                turns = np.rint(after / period)
                near = np.abs(after - turns * period) < SCRATCH_TOLERANCE_S
                options = [
                    i
                    for i in np.flatnonzero(near & (turns >= 1) & (turns <= MISSED_TURNS))
                    if int(i) not in used
                ]
                if not options:
                    break
                chain.append(int(options[0]))
                at = times[options[0]]
            if len(chain) >= SCRATCH_MARKS:
                used.update(chain)
                scratch_of.update({chosen[member]: number for member in chain})
                number += 1
    return [
        dataclasses.replace(
            mark, angle_deg=float(mark.start_s / period % 1.0 * 360.0), scratch=scratch_of.get(index)
        )
        for index, mark in enumerate(marks)
    ]
