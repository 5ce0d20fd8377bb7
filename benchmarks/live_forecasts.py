"""Forecasts against truth: pressed sides of real music, looked at every few seconds of their playing.

A look sees the features up to that moment and nothing later, as the survey behind the needle does; sound card and mender are left
out, so a side takes seconds. Sides and printed times (one in ten wrong by 5 to 20 s, one in thirty missing) are those of
``track_cases``; nothing was fitted on the ``judge`` half.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from benchmarks import real_music
from benchmarks.track_cases import Case, plain_case
from sidekeep.dsp.tracks.features import FeatureTable
from sidekeep.flow.live.side_watch import BoundaryBook, look_at_side
from sidekeep.flow.tracks.side_features import features_of

LOOK_EVERY_S = 5.0
FIRST = 100
NEAR_GAP_S, NEAR_SEGUE_S = 1.0, 4.0
IN_TIME_S = 30.0


@dataclass
class Forecasts:
    """What was said and what was true. ``looks``: boundaries met, error of the side's rest, its deviation, right track."""

    looks: list[tuple[int, float, float, bool]] = field(default_factory=list)
    late_s: list[float] = field(default_factory=list)
    missed: int = 0
    false: int = 0
    withdrawn: int = 0
    without_times: int = 0

    def told_after(self, met: int, last: int | None = None) -> np.ndarray:
        """Looks with so many boundaries met, (n, 4)."""
        rows = [row for row in self.looks if row[0] >= met and (last is None or row[0] <= last)]
        return np.array(rows, float).reshape(-1, 4)


def sides(count: int) -> Iterator[Case]:
    """Ordinary sides, every second one with segues."""
    real_music.fetch()
    for number in range(FIRST, FIRST + count):
        yield plain_case("judge", number)


def forecasts(cases: Iterator[Case]) -> Forecasts:
    """Play every side and note what is told."""
    found = Forecasts()
    for case in cases:
        _play(case, found)
    return found


def _play(case: Case, found: Forecasts) -> None:
    table, side = case.features.table, case.sides[0]
    hz, end_s = table.rate_hz, case.truth.music_stop_frame / table.rate_hz
    starts_s = [track.audible_start_frame / hz for track in case.truth.tracks]
    book = BoundaryBook(hz)
    seen: dict[int, tuple[float, float]] = {}
    first_told: dict[int, float] = {}
    for at_s in np.arange(LOOK_EVERY_S, end_s, LOOK_EVERY_S):
        state = look_at_side(features_of(_beginning(table, int(at_s / table.hop_s))), side)
        for number, what, boundary in book.update(state):
            if what == "withdrawn":
                seen.pop(number, None)
                found.withdrawn += 1
            else:
                seen[number] = (boundary.frame / hz, at_s)
        for index, start_s in enumerate(starts_s[1:], start=1):
            near_s = NEAR_GAP_S if case.truth.tracks[index].boundary == "gap" else NEAR_SEGUE_S
            if index not in first_told and any(abs(place - start_s) <= near_s for place, _ in seen.values()):
                first_told[index] = at_s - start_s
        playing = state.playing
        if playing is None:
            continue
        if playing.side_left_s is None or playing.side_left_sd_s is None:
            found.without_times += 1
            continue
        met = sum(start_s <= at_s for start_s in starts_s) - 1
        error_s = playing.side_left_s - (end_s - at_s)
        found.looks.append((met, error_s, playing.side_left_sd_s, playing.line == met))
    found.late_s += [late_s for late_s in first_told.values() if late_s <= IN_TIME_S]
    found.missed += len(starts_s) - 1 - sum(late_s <= IN_TIME_S for late_s in first_told.values())
    found.false += sum(all(abs(place - s) > NEAR_SEGUE_S for s in starts_s) for place, _ in seen.values())


def _beginning(table: FeatureTable, hops: int) -> FeatureTable:
    return replace(
        table,
        length_frames=hops * table.hop_frames,
        bands_db=table.bands_db[:hops],
        impulse=table.impulse[:hops],
        peak=table.peak[:hops],
        power=table.power[:hops],
        chroma=table.chroma[:hops],
    )


def tell(found: Forecasts, count: int) -> None:
    """Print it."""
    print(f"forecasts on {count} pressed sides, a look every {LOOK_EVERY_S:g} s")
    print("  boundaries met   looks   median error   nine in ten   within 1 sd   within 2 sd   right track")
    for name, rows in (
        ("none", found.told_after(0, 0)),
        ("one", found.told_after(1, 1)),
        ("two and more", found.told_after(2)),
    ):
        if not len(rows):
            continue
        error, sd = np.abs(rows[:, 1]), rows[:, 2]
        print(
            f"  {name:14s}  {len(rows):6d}  {np.median(error):10.1f} s  {np.percentile(error, 90):9.1f} s"
            f"  {np.mean(error <= sd):11.0%}  {np.mean(error <= 2 * sd):12.0%}  {np.mean(rows[:, 3]):12.0%}"
        )
    told = len(found.late_s)
    print(
        f"  boundaries told within {IN_TIME_S:g} s: {told} of {told + found.missed} "
        f"(median {np.median(found.late_s or [0.0]):.0f} s after they sounded); standing at the end though there is none: "
        f"{found.false}; withdrawn on the way: {found.withdrawn}; looks that claimed nothing: {found.without_times}"
    )
