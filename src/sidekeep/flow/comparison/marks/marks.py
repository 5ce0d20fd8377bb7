"""Which marks are on both takes, which came, which went: from the difference of the aligned takes.

Where two takes of one groove are laid on each other the music falls out of the difference, and so does damage that is
on both; what stands in it is on one only. Both takes go through one prediction filter (fitted to their
mean, every half second), after which music is nearly white and a mark is short; then through a second, fitted to their
difference, which makes *that* white: what the takes do not share is mostly hiss, and its colour is not the music's. A mark
is a few frames long and mostly on both walls, so its evidence is the energy of the difference over some frames, of one
channel or both, as deviations of a normal number (Fisher's approximation of chi squared). It is on the take whose
mean agrees with it: ``sum mean * difference`` is half the mark's energy, positive if new, negative if gone (a matched
filter, after the first prediction filter and after both); a place where that is not clear is ``changed``.
What stands out on both takes, a little apart where the curve is less sure, is one mark that both have, unless most of it
stays when one take is laid on the other as well as may be: then it lies beside one. Sizes are dB of the mark's peak over
the filtered music around it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.energy import energy_deviations
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.flow.comparison.laying.laid import Laid
from sidekeep.flow.comparison.marks.filtered import Filtered, filtered, runs_of, windows_of

Floats = NDArray[np.float64]

CELL_S = 0.002
"""Longer than a tick, shorter than a drum takes to rise. Half and double changed the count of marks on both by 4 %, no
other."""
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
SURE_OF_BOTH = 9.0
MERGE_S = 0.0015
"""A mark shifted by what the filters ring is one with itself; what stands on both takes counts from 19 dB over the music on,
half of it doubled their number (the music's own peaks), double left two thirds; nearer than 1.5 ms two are one, as ticks of one
speck on both walls are."""
LEFT_OPEN, MOST_OPEN_S = 4.0, 0.0005
"""A mark on both may lie this many deviations of the curve apart, and no farther."""
LOOSE_S, SURE_OF_LOOSE = 0.00001, 30.0
"""Where the curve leaves more open than this (gaps, rests), what is left of a mark that both have is larger."""
AGREES, AGREES_PLAIN = (0.3, 0.85), (0.25, 0.85)
"""Share of the mark's own energy that the mean must carry: half where the mark is on one take only. The second filter makes the
difference white and the music not; after the first alone it is the other way round, and music that merely agrees with a faint
difference in one of the two seldom does in the other."""
PLAIN_DB = 8.0
"""From this size on, and standing out by ``SURE_OF_FAINT``, a mark goes by the first filter alone."""
LEFT_SHARE, SHIFTS = 0.9, 33
"""What still stands out by this share after the best shift of a mark that both have is another mark beside it."""
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
    sides = [filtered(laid, gains[channel], channel, cell) for channel in range(channels)]
    windows = windows_of(laid.rate_hz)
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


def _mark_at(
    start: int,
    stop: int,
    sides: list[Filtered],
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
    heard = [one for one, other in zip(sides, share, strict=True) if other > 0.25 * share[weight]]
    agrees = _agrees([(one.old, one.new, one.music) for one in heard], piece, cell)
    sureness = float(evidence[piece].max())
    if _both_have(side, piece, cell, laid.rate_hz, left_open_s):
        clear = sureness >= SURE_OF_FAINT and AGREES[0] < abs(agrees) < AGREES[1]
        if not clear or _is_moved(sides, piece, sureness, laid.rate_hz, left_open_s):
            return None
    old, new, music = side.plain
    level = float(music[min(start // cell, len(music) - 1)])
    size_db = 20.0 * np.log10(max(float(np.abs(new[piece] - old[piece]).max()) / max(level, 1e-12), 1e-6))
    wanted = SURE_OF_FAINT if size_db < FAINT_DB else SURE_OF_LOOSE if left_open_s > LOOSE_S else SURE
    if size_db < LEAST_DB or sureness < wanted:
        return None
    alone = len(sides) == 2 and min(share) < 0.1 * max(share)
    return Mark(
        start_s=laid.start_s + start / laid.rate_hz,
        stop_s=laid.start_s + stop / laid.rate_hz,
        channel=("L", "R")[weight] if alone else "both",
        state=_state(
            agrees,
            _agrees([one.plain for one in heard], piece, cell),
            stands_alone=sureness >= SURE_OF_FAINT and size_db >= PLAIN_DB,
        ),
        size_db=size_db,
        sureness=sureness,
    )


def _agrees(takes: Sequence[tuple[Floats, Floats, Floats]], piece: slice, cell: int) -> float:
    """By how much the mean of old and new agrees with their difference, as a share of its energy; each channel is an old take, a
    new one and the size of the music by cell."""
    energy, agrees = 0.0, 0.0
    for old, new, music in takes:
        difference, mean = new[piece] - old[piece], 0.5 * (new[piece] + old[piece])
        scale = max(float(music[min(piece.start // cell, len(music) - 1)]), 1e-12)
        energy += float(np.square(difference / scale).sum())
        agrees += float((mean * difference / scale**2).sum())
    return agrees / max(energy, 1e-30)


def _state(agrees: float, plain: float, *, stands_alone: bool) -> State:
    """Which take the mark is on, by how the mean agrees after both filters and after the first."""
    if not AGREES_PLAIN[0] < abs(plain) < AGREES_PLAIN[1]:
        return "changed"
    if not stands_alone and not (AGREES[0] < abs(agrees) < AGREES[1] and agrees * plain > 0.0):
        return "changed"
    return "new" if plain > 0.0 else "gone"


def _is_moved(sides: list[Filtered], piece: slice, sureness: float, rate_hz: int, left_open_s: float) -> bool:
    """Whether what stands out is only a mark of both takes, a little shifted or of another size: less is left of it
    when the old take is laid on the new one as well as the curve leaves open."""
    open_frames = left_open_s * rate_hz
    beside = 2 + int(np.ceil(open_frames)) + round(BESIDE_S * rate_hz)
    span = slice(max(0, piece.start - beside), min(len(sides[0].stands), piece.stop + beside))
    takes = np.stack([(side.old[span], side.new[span]) for side in sides])
    scale = np.array([[_usual(side, span)] for side in sides])
    length = 2 * takes.shape[2]
    spectra = np.fft.rfft(takes[:, 0], length)
    turns = -2j * np.pi * np.fft.rfftfreq(length)
    least = np.inf
    most = max(0.3, open_frames)
    for shift in np.linspace(-most, most, SHIFTS):
        old = np.fft.irfft(spectra * np.exp(turns * shift), length)[:, : takes.shape[2]]
        power = np.square(old).sum(axis=1, keepdims=True)
        gain = (old * takes[:, 1]).sum(axis=1, keepdims=True) / np.maximum(power, 1e-30)
        left = (takes[:, 1] - np.clip(gain, 0.5, 2.0) * old) / scale
        least = min(least, float(energy_deviations(left, windows_of(rate_hz)).max()))
    return least < LEFT_SHARE * sureness


def _usual(side: Filtered, span: slice) -> float:
    """The usual size of the difference around a place, as ``stands`` was told by it."""
    difference, stands = np.abs(side.new[span] - side.old[span]), np.abs(side.stands[span])
    return float(np.median(difference / np.maximum(stands, 1e-12)))


def _both_have(side: Filtered, piece: slice, cell: int, rate_hz: int, left_open_s: float) -> bool:
    """Whether a mark stands out of the music on both takes and is alike on them, at best a little shifted."""
    reach = 2 + int(np.ceil(left_open_s * rate_hz))
    beside = reach + round(BESIDE_S * rate_hz)
    low, high = max(0, piece.start - beside), min(len(side.stands), piece.stop + beside)
    takes = [one[low:high] for one in side.plain[:2]]
    music = side.plain[2][np.arange(low, high) // cell]
    stands = [energy_deviations((one / music)[np.newaxis], windows_of(rate_hz)).max() for one in takes]
    if min(stands) < STANDS:
        return False
    length = 2 * len(music)
    spectra = [np.fft.rfft(one, length) for one in takes]
    # read eight times as finely: takes half a frame apart are alike as well
    match = 8.0 * np.fft.irfft(np.conj(spectra[0]) * spectra[1], 8 * length)
    near = np.concatenate([match[: 8 * reach + 1], match[-8 * reach :]])
    louder = max(float(np.square(one).sum()) for one in takes)
    return bool(near.max() > ALIKE * louder)


def _on_both(side: Filtered, laid: Laid, cell: int) -> list[tuple[int, float]]:
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
