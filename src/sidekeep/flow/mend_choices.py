"""Which repairs the person wants, and what follows from it: a choice at the time of rendering, never a new mending.

A survey mends everything its size finds and keeps every repair by itself (``flow.patches``). Here the choices of the
recipe are laid over its list: in milliseconds, without moving any other repair. Peaks and powers are measured again
only where a repair that is left was the difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.measuring.measures import PeakLoudnessMeter, windows_touching
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.ports import AudioSource
from sidekeep.model.recipe import MendChoice, MendSettings
from sidekeep.model.repair import Repair

SETTLES_S = 0.5
"""How long the loudness filter (its slowest pole: 38 Hz) remembers: by then what was before is gone, under -200 dB."""


@dataclass(frozen=True, kw_only=True)
class LeftRepairs:
    """``left``: indices in the list of repairs. ``unmatched``: choices that fit no repair of the take they name."""

    left: frozenset[int]
    unmatched: tuple[MendChoice, ...] = ()


def left_repairs(repairs: Sequence[Repair], mend: MendSettings, take: str = "") -> LeftRepairs:
    """Apply the choices of a recipe to a take's repairs: what is in doubt is left but where a choice has it mended. ``take``
    is its SHA-256: choices that name another take do not count, those that name none count everywhere."""
    table = _Table(repairs)
    left = np.array([repair.in_doubt for repair in repairs], np.bool_)
    unmatched = []
    for frame in mend.leave:
        fits = table.starting(frame)
        left |= fits
        if not fits.any():
            unmatched.append(MendChoice(start_frame=frame, stop_frame=frame + 1))
    for choice in mend.choices:
        if choice.take and not take.startswith(choice.take):
            continue
        fits = table.fitting(choice)
        left[fits] = choice.do == "leave"
        if not fits.any():
            unmatched.append(choice)
    if not mend.enabled:
        left[:] = True
    return LeftRepairs(left=frozenset(np.flatnonzero(left).tolist()), unmatched=tuple(unmatched))


class _Table:
    """The repairs as columns, so that a choice is a few comparisons."""

    def __init__(self, repairs: Sequence[Repair]) -> None:
        self._repairs = repairs
        self._starts = np.array([repair.start_frame for repair in repairs], np.int64)
        self._stops = np.array([repair.stop_frame for repair in repairs], np.int64)
        self._sizes = np.array([repair.size_db for repair in repairs])
        self._kinds = np.array([repair.kind for repair in repairs], np.str_)

    def starting(self, frame: int) -> NDArray[np.bool_]:
        """Which repairs begin at a frame."""
        return self._starts == frame

    def fitting(self, choice: MendChoice) -> NDArray[np.bool_]:
        """Which repairs all conditions of a choice fit."""
        fits = np.ones(len(self._repairs), np.bool_)
        if choice.repair:
            fits &= np.fromiter((repair.id == choice.repair for repair in self._repairs), np.bool_, len(fits))
        if choice.stop_frame is not None:
            fits &= self._starts < choice.stop_frame
        if choice.start_frame is not None:
            begins = self._starts >= choice.start_frame
            fits &= begins | ((self._stops > choice.start_frame) & (self._kinds != "thump"))
        if choice.of_kind:
            fits &= self._kinds == choice.of_kind
        if choice.below_db is not None:
            fits &= self._sizes < choice.below_db
        return fits


def levels_with(
    source: AudioSource,
    patches: PatchReader,
    left: frozenset[int],
    *,
    mended: KeptLevels,
    recorded: KeptLevels,
    repairs: int,
) -> KeptLevels:
    """Peaks and powers of the take with the repairs in ``left`` left.

    Windows no left repair touches keep what the survey measured after mending; where nothing but left repairs lies,
    they are as recorded; only the rest is read and measured again.
    """
    if not left:
        return mended
    length, count = mended.window_frames, len(mended.peaks)
    rate_hz = source.format.rate_hz
    settles = -(-int(SETTLES_S * rate_hz) // length)
    changed = _reached(patches.spans(left), length, count, settles)
    kept = _reached(patches.spans(frozenset(range(repairs)) - left), length, count, settles)
    powers, peaks = mended.powers.copy(), mended.peaks.copy()
    plain = changed & ~kept
    powers[plain[: len(powers)]] = recorded.powers[plain[: len(powers)]]
    peaks[plain] = recorded.peaks[plain]
    shown = patches.with_left(left)
    for first, stop in _runs(changed & kept):
        warm = max(0, first - settles)
        meter = PeakLoudnessMeter(rate_hz=rate_hz, channels=source.format.channels)
        frame = warm * length
        for block in source.blocks(length * 16, frame, min(source.format.length_frames, (stop + 1) * length)):
            meter.process(shown.apply(frame, numbers_only(block)))
            frame += len(block)
        again = KeptLevels.of(meter)
        low, high = first - warm, stop - warm
        part = again.powers[low:high]
        powers[first : first + len(part)] = part
        peaks[first:stop] = again.peaks[low:high]
    return replace(mended, powers=powers, peaks=peaks)


def _reached(spans: list[tuple[int, int]], length: int, count: int, settles: int) -> NDArray[np.bool_]:
    """Windows that spans touch or that the filters carry them into: one before (the peak's interpolation) and some
    after (the loudness filter)."""
    wide = [(start - length, stop + settles * length) for start, stop in spans]
    touched = windows_touching(
        wide, length, max(count, max((stop for _, stop in wide), default=0) // length + 1)
    )
    return touched[:count]


def _runs(chosen: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(chosen, prepend=False, append=False))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
