"""One take out of several of the same side: what only one of them has is left out, steady noise is averaged away.

The first take is the ruler: the combined take has its time base, level and length. Every other take is laid on it (``align``),
given its level and treble, and then, per channel: where a take alone has a mark it is left out for that moment and
the others speak (no estimate, real sound); everywhere else all are averaged, each by the inverse of its noise. Where
the others do not lie closely enough on the ruler to be the same sound they are left out as well, so that no place is
worse than the ruler alone. What is damaged on all of them stays, for the mender. Changes between takes are cross-faded.

Noise that is not in the disc falls with the number of takes (3 dB for two equal ones); what is pressed into the groove
is on all of them and stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ParameterError
from sidekeep.flow.comparison.compare import PREVIEW_S, gain_filters
from sidekeep.flow.comparison.differences.bands import frame_powers, joined, quiet_frames
from sidekeep.flow.comparison.differences.one_playing import is_one_playing, keeps_step
from sidekeep.flow.comparison.differences.spans import music_span
from sidekeep.flow.comparison.laying.alignment import Alignment, align_takes
from sidekeep.flow.comparison.laying.laid import Laid, each_block, lay_block
from sidekeep.flow.comparison.marks.filtered import prediction_errors, runs_of, usual_size
from sidekeep.flow.ports import Audio, AudioSource, Progress, no_progress
from sidekeep.flow.progress import part

Floats = NDArray[np.float64]

STANDS_OUT = 5.5
"""Times its usual size from which a difference is taken for a mark: lower than for a claim, since leaving out one of two
good takes for a moment costs nothing but a little noise. Half of it left out so much that 1.6 dB were gained, not 3.7; double
changed nothing (three takes of 75 s; so were those down to ``APART_SHARE`` tried)."""
PAD_S = 0.0012
FADE_S = 0.0015
CELL_S = 0.02
CELL_PARTS = 10
LOWEST_HZ = 150.0
"""Room for what the filters spread of a mark and a cross-fade that makes no click; cells of 20 ms, judged by the median of
their tenths, so that a tick does not make two takes two sounds; and three periods of 150 Hz in each. Half and double of each
moved what is gained by 0.1 dB at most."""
APART = 4.0
"""Times the quiet difference of the takes, and ..."""
APART_SHARE = 0.01
"""... share of the sound from which two takes are no longer the same sound at a moment. Half and double of
both: no difference but a little more or less that is averaged."""
NOISE_FROM_HZ = 500.0
"""The noise of a take is weighed from here up: below it rumble, warp and hum are louder. Chosen by hand, no finer reason."""
WEIGHTS = (0.1, 10.0)
"""No take counts for more than ten times another, however much quieter it is. Chosen by hand, no finer reason."""
QUIET_SHARE, QUIET_WITHIN_S = 0.2, 60.0
"""The lowest fifth of the first minute's differences are noise alone. Chosen by hand, no finer reason."""
EDGE_S = 0.05
"""So near the ends of the alignment nothing is known of how the takes lie. Chosen by hand, no finer reason."""
MARK_CELL_S = 0.002
"""The usual size of a difference is taken of cells of so long. Chosen by hand, no finer reason."""
MARK_GAP_S = 0.0015
"""Parts no further apart are one mark. Chosen by hand, no finer reason."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Partner:
    """Another take, ready to be read along the ruler: its alignment, its filters, its weight beside the ruler's 1."""

    source: AudioSource
    alignment: Alignment
    gains: Floats
    weight: float
    quiet_power: Floats


@dataclass(frozen=True, kw_only=True)
class CombineFacts:
    """What went in: the weight of each other take beside the ruler's 1, and on how many frames the ruler, damaged there, gave way
    (counted channel by channel)."""

    weights: tuple[float, ...]
    replaced_frames: int


def make_partner(ruler: AudioSource, other: AudioSource, progress: Progress = no_progress) -> Partner:
    """Align a take with the ruler and learn its level, treble and noise. Raises ``ParameterError`` for another recording, or
    for the same one."""
    alignment = align_takes(ruler, other, progress)
    if alignment.curve is None:
        raise ParameterError("takes-do-not-match", share_percent=round(100 * alignment.line.share))
    if alignment.speed is not None:
        # the phono stage's equalisation falls at other frequencies: these are not one sound
        raise ParameterError(
            "takes-at-other-speeds",
            first_rpm=round(alignment.speed.old_rpm, 1),
            other_rpm=round(alignment.speed.new_rpm, 1),
        )
    low_s, high_s = music_span(alignment)
    middle = 0.5 * (low_s + high_s)
    span = (max(low_s, middle - PREVIEW_S / 2), min(high_s, middle + PREVIEW_S / 2))
    rate_hz = ruler.format.rate_hz
    powers = joined(list(each_block(ruler, other, alignment, frame_powers, span_s=span, rate_hz=rate_hz)))
    gains = gain_filters(powers, rate_hz)
    everything = joined(list(each_block(ruler, other, alignment, frame_powers, rate_hz=rate_hz)))
    if is_one_playing(alignment.curve, everything):
        raise ParameterError("takes-of-one-playing")
    quiet = quiet_frames(everything)
    high = [index for index, hz in enumerate(everything.centres_hz) if hz >= NOISE_FROM_HZ]
    if quiet.any():
        noise = [
            float(np.median(side[quiet][:, high].sum(axis=(1, 2))))
            for side in (everything.old, everything.new)
        ]
        level_db = np.mean([-20.0 * np.log10(max(abs(taps.sum()), 1e-6)) for taps in gains])
        noise[1] /= 10.0 ** (level_db / 10.0)
        weight = float(np.clip(noise[0] / max(noise[1], 1e-20), *WEIGHTS))
    else:
        weight = 1.0
    return Partner(
        source=other,
        alignment=alignment,
        gains=gains,
        weight=weight,
        quiet_power=_quiet_difference(ruler, other, alignment, gains),
    )


def _quiet_difference(ruler: AudioSource, other: AudioSource, alignment: Alignment, gains: Floats) -> Floats:
    """(channels,) power of the difference of the takes where it is least: their noise."""

    def cells(laid: Laid) -> Floats:
        size = round(CELL_S * laid.rate_hz)
        difference = above_rumble(match(laid, gains) - laid.old, laid.rate_hz)[laid.first : laid.stop]
        count = len(difference) // size
        return np.square(difference[: count * size]).reshape(count, size, -1).mean(axis=1)

    low_s, high_s = music_span(alignment)
    parts = list(
        each_block(
            ruler,
            other,
            alignment,
            cells,
            span_s=(low_s, min(high_s, low_s + QUIET_WITHIN_S)),
            rate_hz=ruler.format.rate_hz,
        )
    )
    quiet: Floats = np.quantile(np.concatenate(parts), QUIET_SHARE, axis=0)
    return quiet


def above_rumble(audio: Audio, rate_hz: int) -> Audio:
    """Without what is below ``LOWEST_HZ``: rumble, of which a cell of some hundredths of a second holds half a period, says
    nothing of whether two takes are one sound."""
    from scipy.signal import butter, sosfilt

    filtered: Audio = sosfilt(butter(2, LOWEST_HZ, "high", fs=rate_hz, output="sos"), audio, axis=0)
    return filtered


def match(laid: Laid, gains: Floats) -> Audio:
    """The new take with the old one's level and treble."""
    return np.stack(
        [
            np.convolve(laid.new[:, channel], gains[channel], mode="same")
            for channel in range(laid.new.shape[1])
        ],
        axis=1,
    )


class Combiner:
    """Gives the combined take block by block; ``facts`` afterwards."""

    def __init__(self, ruler: AudioSource, partners: Sequence[Partner]) -> None:
        if not partners:
            raise ParameterError("takes-too-few")
        self._ruler = ruler
        self._partners = list(partners)
        self._replaced = 0

    def blocks(self, block_s: int = 10, progress: Progress = no_progress) -> Iterator[Audio]:
        """(frames, channels) blocks of the ruler's length, rate and channels, in order."""
        form = self._ruler.format
        total_s = form.length_frames / form.rate_hz
        start_s = 0
        while start_s < total_s:
            stop_s = min(start_s + block_s, int(np.ceil(total_s)))
            block = self._block(start_s, stop_s)
            yield block[: form.length_frames - start_s * form.rate_hz]
            start_s = stop_s
            progress(min(1.0, start_s / total_s), "combining")

    @property
    def facts(self) -> CombineFacts:
        """What was done so far."""
        return CombineFacts(
            weights=tuple(partner.weight for partner in self._partners),
            replaced_frames=self._replaced,
        )

    def _block(self, start_s: int, stop_s: int) -> Audio:
        laid = [
            lay_block(
                self._ruler, partner.source, partner.alignment, start_s, stop_s, self._ruler.format.rate_hz
            )
            for partner in self._partners
        ]
        ruler = laid[0].old
        first, stop, rate_hz = laid[0].first, laid[0].stop, laid[0].rate_hz
        takes = [
            ruler,
            *(match(one, partner.gains) for one, partner in zip(laid, self._partners, strict=True)),
        ]
        usable = [
            self._close(one, take, partner)
            for one, take, partner in zip(laid, takes[1:], self._partners, strict=True)
        ]
        out = np.empty((stop - first, ruler.shape[1]))
        for channel in range(ruler.shape[1]):
            signals = np.stack([take[:, min(channel, take.shape[1] - 1)] for take in takes])
            hurt = _marked(signals, [close[:, min(channel, close.shape[1] - 1)] for close in usable], rate_hz)
            weights = np.ones_like(signals)
            for row, partner in enumerate(self._partners, start=1):
                weights[row] = partner.weight * usable[row - 1][:, min(channel, usable[row - 1].shape[1] - 1)]
            weights *= 1.0 - _widened(hurt, rate_hz)
            nothing = weights.sum(axis=0) < 1e-3
            weights[0, nothing] = 1.0
            self._replaced += int((hurt[0] & (weights[0] < 0.5))[first:stop].sum())
            mixed = (weights * signals).sum(axis=0) / weights.sum(axis=0)
            out[:, channel] = mixed[first:stop]
        return out

    def _close(self, laid: Laid, matched: Audio, partner: Partner) -> Floats:
        """(frames, channels) 1 where a take lies closely on the ruler, 0 where it does not, with soft changes."""
        # the median over the parts of a cell: a tick does not make two takes two sounds
        part_frames = round(CELL_S * laid.rate_hz / CELL_PARTS)
        size = CELL_PARTS * part_frames
        count = -(-len(laid.old) // size)
        padded = np.zeros((2, count * size, laid.old.shape[1]))
        padded[0, : len(laid.old)] = above_rumble(matched - laid.old, laid.rate_hz)
        padded[1, : len(laid.old)] = above_rumble(0.5 * (matched + laid.old), laid.rate_hz)
        parts = np.square(padded).reshape(2, count, CELL_PARTS, part_frames, laid.old.shape[1])
        power = np.median(parts.mean(axis=3), axis=2)
        apart = (power[0] > APART * partner.quiet_power) & (power[0] > APART_SHARE * power[1])
        moments = laid.start_s + (np.arange(count) + 0.5) * size / laid.rate_hz
        curve = partner.alignment.curve
        assert curve is not None
        outside = (moments < curve.start_s + EDGE_S) | (moments > curve.stop_s - EDGE_S)
        bad = (apart.any(axis=1) | outside)[:, np.newaxis]
        bad = bad | np.roll(bad, 1, axis=0) | np.roll(bad, -1, axis=0)
        centres = (np.arange(count) + 0.5) * size
        good = np.interp(np.arange(len(laid.old)), centres, 1.0 - bad[:, 0].astype(np.float64))
        return np.repeat(good[:, np.newaxis], laid.old.shape[1], axis=1)


def _marked(signals: Floats, close: Sequence[Floats], rate_hz: int) -> NDArray[np.bool_]:
    """(takes, frames) where a take has a mark that another one lying closely beside it has not.

    Of any two takes whose difference stands out the one that holds more there has the mark; so at every place the take
    with least of it stays, however many share a mark.
    """
    errors = prediction_errors(signals, rate_hz)
    hurt = np.zeros(signals.shape, np.bool_)
    cell = max(4, round(MARK_CELL_S * rate_hz))
    lies_close = [np.ones(signals.shape[1], np.bool_), *(one > 0.5 for one in close)]
    for first, second in combinations(range(len(signals)), 2):
        difference, mean = errors[second] - errors[first], 0.5 * (errors[first] + errors[second])
        usual = np.repeat(usual_size(difference, cell), cell)[: len(difference)]
        stands = (np.abs(difference) > STANDS_OUT * usual) & lies_close[first] & lies_close[second]
        for start, stop in runs_of(stands, round(MARK_GAP_S * rate_hz)):
            agrees = float((mean[start:stop] * difference[start:stop]).sum())
            hurt[second if agrees > 0.0 else first, start:stop] = True
    return hurt


def _widened(hurt: NDArray[np.bool_], rate_hz: int) -> Floats:
    """1 in marked places and ``PAD_S`` around them, with raised-cosine flanks."""
    pad, fade = round(PAD_S * rate_hz), round(FADE_S * rate_hz)
    flank = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    out = np.zeros(hurt.shape)
    for row, flags in enumerate(hurt):
        for start, stop in runs_of(flags, 2 * (pad + fade)):
            low, high = max(0, start - pad), min(len(flags), stop + pad)
            out[row, low:high] = 1.0
            before = np.arange(max(0, low - fade), low)
            out[row, before] = np.maximum(out[row, before], flank[len(flank) - len(before) :])
            after = np.arange(high, min(len(flags), high + fade))
            out[row, after] = np.maximum(out[row, after], flank[::-1][: len(after)])
    return out


def prepare(ruler: AudioSource, others: Sequence[AudioSource], progress: Progress = no_progress) -> Combiner:
    """Align every other take with the ruler."""
    partners = [
        make_partner(ruler, other, part(progress, index / len(others), (index + 1) / len(others)))
        for index, other in enumerate(others)
    ]
    for one, other in combinations(partners, 2):
        _refuse_one_playing(one, other)
    return Combiner(ruler, partners)


def _refuse_one_playing(one: Partner, other: Partner) -> None:
    """Raise ``ParameterError`` where two of the other takes are one; they are laid on each other only where they keep step."""
    curves = one.alignment.curve, other.alignment.curve
    if curves[0] is None or curves[1] is None or not keeps_step(curves[0], curves[1]):
        return
    alignment = align_takes(one.source, other.source)
    if alignment.curve is not None and is_one_playing(
        alignment.curve, joined(list(each_block(one.source, other.source, alignment, frame_powers)))
    ):
        raise ParameterError("takes-of-one-playing")
