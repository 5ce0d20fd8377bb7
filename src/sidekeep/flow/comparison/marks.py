"""Which marks are on both takes, which came, which went: from the difference of the aligned takes.

Where two takes of one groove are laid on each other the music falls out of the difference, and so does damage that is
on both; what stands in it is on one only. Both takes go through one prediction filter (order 32, fitted to their
mean, every half second), after which music is nearly white and a mark is short. A place stands out when the
difference there is ``SURE`` times its usual size around; it is on the take whose filtered mean agrees with it:
``sum mean * difference`` is half the mark's energy, positive if new, negative if gone (a matched filter); a place
where that is not clear is ``changed``. Sizes are dB of the mark's peak over the filtered music around it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import autocorrelate, levinson
from sidekeep.flow.comparison.laid import Laid

Floats = NDArray[np.float64]

ORDER = 32
STRETCH_S = 0.5
CELL_S = 0.002
AROUND_CELLS = 25
SURE = 7.0
SURE_OF_BOTH = 9.0
MERGE_S = 0.0015
AGREES = 0.3
"""Share of the mark's own energy that the mean must carry: half where the mark is on one take only."""
ONE_SIDED = 1.8
"""How much higher a mark stands on the take that has it than what the other shows there."""
BESIDE = 3
LEAST_DB = 6.0
"""From here a mark is audible over the music (as the press counts them)."""

State = Literal["new", "gone", "changed"]


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A mark that is on one take only. ``start_s``/``stop_s`` on the old take; ``sureness`` how many times its
    surroundings the difference stands out; ``angle_deg`` None while the turn is not known; ``scratch`` numbers marks
    that come back turn after turn."""

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


def find_marks(laid: Laid, gains: Floats) -> BlockMarks:
    """Marks of a block. ``gains`` (channels, taps) are the filters that give the new take the old one's level and
    treble (zero phase, odd lengths)."""
    singles: list[tuple[int, int, float, float, float, int]] = []
    both: list[tuple[int, float]] = []
    cell = max(4, round(CELL_S * laid.rate_hz))
    for channel in range(laid.old.shape[1]):
        played = np.convolve(laid.new[:, channel], gains[channel], mode="same")
        old, new = prediction_errors(np.stack([laid.old[:, channel], played]), laid.rate_hz)
        mean, difference = 0.5 * (old + new), new - old
        usual = usual_size(difference, cell)
        music = usual_size(mean, cell)
        stands = np.abs(difference) / np.repeat(usual, cell)[: len(difference)]
        for start, stop in runs_of(stands > SURE, round(MERGE_S * laid.rate_hz)):
            if laid.first <= start < laid.stop:
                piece = slice(start, stop)
                energy = float(np.square(difference[piece]).sum())
                agrees = float((mean[piece] * difference[piece]).sum()) / max(energy, 1e-30)
                level = float(music[min(start // cell, len(music) - 1)])
                size = 20.0 * np.log10(max(float(np.abs(difference[piece]).max()) / max(level, 1e-12), 1e-6))
                # a mark that both have, met a little differently, is about as high on both
                wide = slice(max(0, start - BESIDE), stop + BESIDE)
                heights = np.abs(old[wide]).max(), np.abs(new[wide]).max()
                if size >= LEAST_DB and max(heights) > ONE_SIDED * min(heights):
                    singles.append((start, stop, agrees, size, float(stands[piece].max()), channel))
        common = np.abs(mean) / np.repeat(music, cell)[: len(mean)]
        # on both takes: it stands out of the mean, and what differs is a small part of it
        for start, stop in runs_of(common > SURE_OF_BOTH, round(MERGE_S * laid.rate_hz)):
            piece = slice(start, stop)
            if (
                laid.first <= start < laid.stop
                and np.square(difference[piece]).sum() < 0.5 * np.square(mean[piece]).sum()
            ):
                both.append((start, float(20.0 * np.log10(common[piece].max()))))
    both.sort()
    kept = [
        one
        for number, one in enumerate(both)
        if not number or one[0] - both[number - 1][0] > MERGE_S * laid.rate_hz
    ]
    return BlockMarks(
        single=tuple(_merge(singles, laid)),
        both_s=laid.start_s + np.array([start for start, _ in kept]) / laid.rate_hz,
        both_db=np.array([size for _, size in kept]),
    )


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


def _merge(singles: list[tuple[int, int, float, float, float, int]], laid: Laid) -> list[Mark]:
    """What lies at one moment on both channels is one mark."""
    singles.sort()
    groups: list[list[tuple[int, int, float, float, float, int]]] = []
    for one in singles:
        if groups and one[0] - max(other[1] for other in groups[-1]) < MERGE_S * laid.rate_hz:
            groups[-1].append(one)
        else:
            groups.append([one])
    marks = []
    for group in groups:
        channels = {one[5] for one in group}
        loudest = max(group, key=lambda one: one[4])
        agrees = loudest[2]
        marks.append(
            Mark(
                start_s=laid.start_s + min(one[0] for one in group) / laid.rate_hz,
                stop_s=laid.start_s + max(one[1] for one in group) / laid.rate_hz,
                channel="both" if len(channels) > 1 or laid.old.shape[1] == 1 else ("L", "R")[channels.pop()],
                state="new" if agrees > AGREES else "gone" if agrees < -AGREES else "changed",
                size_db=float(max(one[3] for one in group)),
                sureness=loudest[4],
            )
        )
    return marks
