"""Which marks are on both takes, which came, which went: from the difference of the aligned takes.

Where two takes of one groove are laid on each other the music falls out of the difference, and so does damage that is
on both; what stands in it is on one only. Both takes go through one prediction filter (order ``ORDER``, fitted to their
mean, every half second), after which music is nearly white and a mark is short; then through a second, fitted to their
difference, which makes *that* white: what the takes do not share is mostly hiss, and its colour is not the music's. A mark
is a few frames long and mostly on both walls, so its evidence is the energy of the difference over some frames, of one
channel or both, as deviations of a normal number (Fisher's approximation of chi squared). It is on the take whose
mean agrees with it: ``sum mean * difference`` is half the mark's energy, positive if new, negative if gone (a matched
filter); a place where that is not clear is ``changed``. What stands out on both takes, a little apart where the curve is
less sure, is one mark that both have. Sizes are dB of the mark's peak over the filtered music around it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.energy import energy_deviations
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.dsp.impulses.autoregression import autocorrelate, levinson
from sidekeep.flow.comparison.laid import Laid

Floats = NDArray[np.float64]

ORDER = 32
STRETCH_S = 0.5
CELL_S = 0.002
AROUND_CELLS = 25
SURE = 13.0
"""Deviations from which a difference is a mark. Chance alone stays under 8, what is left of marks that both have under 12,
ticks one can hear reach 20 (measured on pressed pairs)."""
FAINT_DB, SURE_OF_FAINT = 9.0, 60.0
"""Below this size, where the music is loud, what is left of a mark that both have looks like a small new one; a tick that
is heard there stands much farther out."""
STANDS = 5.5
"""Deviations from which the take with less of it has the mark too ..."""
ALIKE = 0.5
"""... if this share of the louder one's energy is alike on both, shifted by what the curve leaves open."""
BESIDE_S = 0.0007
WINDOWS_S = (0.00005, 0.00028)
"""Lengths over which the energy is summed: a speck of dust, and a tick with the ringing of the cartridge."""
SURE_OF_BOTH = 9.0
MERGE_S = 0.0015
LEFT_OPEN, MOST_OPEN_S = 4.0, 0.0005
"""A mark on both may lie this many deviations of the curve apart, and no farther."""
LOOSE_S, SURE_OF_LOOSE = 0.00001, 30.0
"""Where the curve leaves more open than this (gaps, rests), what is left of a mark that both have is larger."""
AGREES = (0.3, 0.85)
"""Share of the mark's own energy that the mean must carry: half where the mark is on one take only."""
DIFFERENCE_ORDER = 16
LEAST_DB = 5.0
"""Smaller ones are not heard over the music (the press counts from 6 dB over a filter that knows the clean music)."""

State = Literal["new", "gone", "changed", "perhaps"]


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A mark that is on one take only. ``start_s``/``stop_s`` on the old take; ``state`` ``perhaps`` where it is too faint to be
    sure of (``faint``); ``sureness`` how many deviations the difference stands out; ``angle_deg`` None while the turn is not
    known; ``scratch`` numbers marks that come back turn after turn."""

    start_s: float
    stop_s: float
    channel: Literal["L", "R", "both"]
    state: State
    size_db: float
    sureness: float
    angle_deg: float | None = None
    scratch: int | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class BlockMarks:
    """Marks of one block, and the seconds and sizes of what both takes have."""

    single: tuple[Mark, ...]
    both_s: Floats
    both_db: Floats


def find_marks(laid: Laid, gains: Floats, curve: TimeMap) -> BlockMarks:
    """Marks of a block. ``gains`` (channels, taps) are the filters that give the new take the old one's level and
    treble (zero phase, odd lengths); ``curve`` says how closely the takes lie on each other."""
    cell = max(4, round(CELL_S * laid.rate_hz))
    channels = laid.old.shape[1]
    sides = [_filtered(laid, gains[channel], channel, cell) for channel in range(channels)]
    windows = _windows(laid.rate_hz)
    rows = np.stack([side.stands for side in sides])
    evidence = energy_deviations(rows, windows)
    if channels == 2:
        for row in rows:
            np.maximum(evidence, energy_deviations(row[np.newaxis], windows), out=evidence)
    marks = []
    for start, stop in runs_of(evidence > SURE, round(MERGE_S * laid.rate_hz)):
        if laid.first <= start < laid.stop:
            left_open_s = LEFT_OPEN * curve.sd_at(laid.start_s + start / laid.rate_hz)
            mark = _mark_at(start, stop, sides, evidence, laid, cell, min(left_open_s, MOST_OPEN_S))
            if mark is not None:
                marks.append(mark)
    both = sorted(one for side in sides for one in _on_both(side, laid, cell))
    kept = [
        one
        for number, one in enumerate(both)
        if not number or one[0] - both[number - 1][0] > MERGE_S * laid.rate_hz
    ]
    return BlockMarks(
        single=tuple(marks),
        both_s=laid.start_s + np.array([start for start, _ in kept]) / laid.rate_hz,
        both_db=np.array([size for _, size in kept]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Filtered:
    """One channel: both takes after the two filters, their usual sizes by cell, and the difference over its usual size."""

    old: Floats
    new: Floats
    music: Floats
    plain: tuple[Floats, Floats, Floats]
    stands: Floats


def _filtered(laid: Laid, gain: Floats, channel: int, cell: int) -> _Filtered:
    played = np.convolve(laid.new[:, channel], gain, mode="same")
    old, new = prediction_errors(np.stack([laid.old[:, channel], played]), laid.rate_hz)
    plain = old, new, usual_size(0.5 * (old + new), cell)
    old, new = _whitened(old, new, cell)
    difference = new - old
    usual = np.repeat(usual_size(difference, cell), cell)[: len(difference)]
    return _Filtered(
        old=old,
        new=new,
        music=usual_size(0.5 * (old + new), cell),
        plain=plain,
        stands=difference / usual,
    )


def _whitened(old: Floats, new: Floats, cell: int) -> tuple[Floats, Floats]:
    """Both through the filter that makes their difference white; what stands far out of it is held down for the fit."""
    difference = new - old
    limit = 3.0 * np.repeat(usual_size(difference, cell), cell)[: len(difference)]
    held = np.clip(difference, -limit, limit) / limit
    correlation, scratch, model = (np.zeros(DIFFERENCE_ORDER + 1) for _ in range(3))
    autocorrelate(np.ascontiguousarray(held), DIFFERENCE_ORDER, correlation)
    levinson(correlation, DIFFERENCE_ORDER, model, scratch)
    return np.convolve(old, model)[: len(old)], np.convolve(new, model)[: len(new)]


def _windows(rate_hz: int) -> tuple[int, ...]:
    return tuple(max(1, round(window_s * rate_hz)) for window_s in WINDOWS_S)


def _mark_at(
    start: int,
    stop: int,
    sides: list[_Filtered],
    evidence: Floats,
    laid: Laid,
    cell: int,
    left_open_s: float,
) -> Mark | None:
    """The mark at a place that stands out; None where both takes have it."""
    piece = slice(start, stop)
    share = [float(np.square(side.stands[piece]).sum()) for side in sides]
    weight = max(range(len(sides)), key=share.__getitem__)
    side = sides[weight]
    energy, agrees = 0.0, 0.0
    for one, other in zip(sides, share, strict=True):
        if other > 0.25 * share[weight]:
            difference, mean = one.new[piece] - one.old[piece], 0.5 * (one.new[piece] + one.old[piece])
            scale = max(float(one.music[min(start // cell, len(one.music) - 1)]), 1e-12)
            energy += float(np.square(difference / scale).sum())
            agrees += float((mean * difference / scale**2).sum())
    agrees /= max(energy, 1e-30)
    if _both_have(side, piece, cell, laid.rate_hz, left_open_s):
        return None
    old, new, music = side.plain
    level = float(music[min(start // cell, len(music) - 1)])
    size_db = 20.0 * np.log10(max(float(np.abs(new[piece] - old[piece]).max()) / max(level, 1e-12), 1e-6))
    sureness = float(evidence[piece].max())
    wanted = SURE_OF_FAINT if size_db < FAINT_DB else SURE_OF_LOOSE if left_open_s > LOOSE_S else SURE
    if size_db < LEAST_DB or sureness < wanted:
        return None
    alone = len(sides) == 2 and min(share) < 0.1 * max(share)
    return Mark(
        start_s=laid.start_s + start / laid.rate_hz,
        stop_s=laid.start_s + stop / laid.rate_hz,
        channel=("L", "R")[weight] if alone else "both",
        state="changed" if not AGREES[0] < abs(agrees) < AGREES[1] else "new" if agrees > 0.0 else "gone",
        size_db=size_db,
        sureness=sureness,
    )


def _both_have(side: _Filtered, piece: slice, cell: int, rate_hz: int, left_open_s: float) -> bool:
    """Whether a mark stands out of the music on both takes and is alike on them, at best a little shifted."""
    reach = 2 + int(np.ceil(left_open_s * rate_hz))
    beside = reach + round(BESIDE_S * rate_hz)
    low, high = max(0, piece.start - beside), min(len(side.stands), piece.stop + beside)
    takes = [one[low:high] for one in side.plain[:2]]
    music = side.plain[2][np.arange(low, high) // cell]
    stands = [energy_deviations((one / music)[np.newaxis], _windows(rate_hz)).max() for one in takes]
    if min(stands) < STANDS:
        return False
    length = 2 * len(music)
    spectra = [np.fft.rfft(one, length) for one in takes]
    # read eight times as finely: takes half a frame apart are alike as well
    match = 8.0 * np.fft.irfft(np.conj(spectra[0]) * spectra[1], 8 * length)
    near = np.concatenate([match[: 8 * reach + 1], match[-8 * reach :]])
    louder = max(float(np.square(one).sum()) for one in takes)
    return bool(near.max() > ALIKE * louder)


def _on_both(side: _Filtered, laid: Laid, cell: int) -> list[tuple[int, float]]:
    """What stands out of the mean of the takes, and differs little: frames and sizes."""
    old, new, music = side.plain
    mean, difference = 0.5 * (old + new), new - old
    common = np.abs(mean) / np.repeat(music, cell)[: len(mean)]
    found = []
    for start, stop in runs_of(common > SURE_OF_BOTH, round(MERGE_S * laid.rate_hz)):
        piece = slice(start, stop)
        if (
            laid.first <= start < laid.stop
            and np.square(difference[piece]).sum() < 0.5 * np.square(mean[piece]).sum()
        ):
            found.append((start, float(20.0 * np.log10(common[piece].max()))))
    return found


def prediction_errors(signals: Floats, rate_hz: int) -> Floats:
    """Prediction errors (signals, frames) of several signals by one filter a stretch, fitted to their mean."""
    size = round(STRETCH_S * rate_hz)
    mean = signals.mean(axis=0)
    frames = signals.shape[1]
    out = np.zeros(signals.shape)
    window = np.hanning(2 * size)
    correlation, scratch = np.zeros(ORDER + 1), np.zeros(ORDER + 1)
    for start in range(0, frames, size):
        stop = min(start + size, frames)
        low = max(0, start - size // 2)
        piece = mean[low : low + 2 * size]
        model = np.zeros(ORDER + 1)
        autocorrelate(np.ascontiguousarray(piece * window[: len(piece)]), ORDER, correlation)
        levinson(correlation, ORDER, model, scratch)
        begin = max(0, start - ORDER)
        for row, signal in enumerate(signals):
            filtered = np.convolve(signal[begin:stop], model)[: stop - begin]
            out[row, start:stop] = filtered[start - begin :]
    return out


def usual_size(signal: Floats, cell: int) -> Floats:
    """The usual size (one deviation of a Gaussian) around every cell of ``cell`` frames: the median of the means of the
    cells around, so that a mark does not raise its own surroundings."""
    count = -(-len(signal) // cell)
    padded = np.zeros(count * cell)
    padded[: len(signal)] = np.abs(signal)
    means = padded.reshape(count, cell).mean(axis=1)
    half = AROUND_CELLS // 2
    wide = np.pad(means, half, mode="edge")
    near = np.median(np.lib.stride_tricks.sliding_window_view(wide, AROUND_CELLS), axis=1)
    # a loud cell beside a quiet one is no mark: its neighbours on either side speak too
    beside = np.minimum(np.pad(means, 1, mode="edge")[:-2], np.pad(means, 1, mode="edge")[2:])
    usual: Floats = np.maximum(np.maximum(near, 0.5 * np.minimum(beside, means)), 1e-9) * np.sqrt(np.pi / 2.0)
    return usual


def runs_of(flags: NDArray[np.bool_], merge: int) -> list[tuple[int, int]]:
    """Runs of True, those nearer than ``merge`` joined."""
    places = np.flatnonzero(flags)
    if not len(places):
        return []
    breaks = np.flatnonzero(np.diff(places) > merge)
    starts = np.concatenate([[places[0]], places[breaks + 1]])
    stops = np.concatenate([places[breaks], [places[-1]]]) + 1
    return [(int(start), int(stop)) for start, stop in zip(starts, stops, strict=True)]
