"""Whether what was just recorded is the side it is taken for: its length against the printed times, its course
against the takes before.

A side lasts as long as its printed times and the gaps between the tracks; players run up to one percent wrong and printed
times are rounded (common practice, no source). Two playings of one side rise and fall together: the levels of every
twentieth of a second are compared, shifted against each other by some seconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.model.news import News
from sidekeep.model.record import Record, Side

_GAP_S = 3.0
_SPEED = 0.012
_COURSE_SHIFT_S = 15.0
_LEAST_COURSE_S = 30.0
COURSE_STEP_S = 0.05
_SAME_COURSE = 0.8
"""Two playings of one pressed side came to 0.94 and more, other sides to 0.19 at most (noisy, worn, any shift of the steps)."""
_RIVAL, _RIVAL_S = 0.85, 1.5
"""Where the course lies nearly as well on another place, so much away, the music is steady: its course says nothing. Two plays of
real music come to 0.76 there, different drones to 0.88 (2026-11-28)."""
_MINUTE_S = 60.0
_SMOOTHING = np.array([1.0, 2.0, 3.0, 2.0, 1.0]) / 9.0
_MUSIC_WITHIN_DB = 20.0
_LEAST_MUSIC_S = 15.0
_STAYS = round(2.0 / COURSE_STEP_S)
"""Longer than a turn of the disc: one tick of the locked groove a turn is no music."""


@dataclass(frozen=True)
class PrintedSide:
    """What the sleeve says of a side's length, and how well that is known."""

    side: str
    length_s: float
    tracks: int

    @property
    def expected_s(self) -> float:
        """With the gaps between the tracks, which times on a sleeve leave out."""
        return self.length_s + _GAP_S * (self.tracks - 1)

    @property
    def tolerance_s(self) -> float:
        """Three standard deviations, about: speed, gaps, rounding."""
        return 6.0 + _SPEED * self.length_s + 2.0 * (self.tracks - 1)


def printed_sides(record: Record) -> dict[str, PrintedSide]:
    """Sides all of whose tracks have times."""
    found = {}
    for side in record.sides:
        times = [track.duration_s for track in side.tracks]
        if times and all(time is not None and time > 0.0 for time in times):
            found[side.name] = PrintedSide(side.name, sum(float(time or 0.0) for time in times), len(times))
    return found


def fit(side: str, music_s: float, printed: Mapping[str, PrintedSide]) -> News | None:
    """What the length says; None when nothing is printed for this side."""
    own = printed.get(side)
    if own is None:
        return None
    off_s = abs(music_s - own.expected_s)
    facts = {"length_s": round(music_s, 1), "printed_s": own.length_s}
    if off_s <= own.tolerance_s:
        return News(code="fits", facts=facts, side=side)
    likely = [
        other
        for other in printed.values()
        if other.side != side
        and abs(music_s - other.expected_s) <= other.tolerance_s
        and abs(music_s - other.expected_s) < 0.5 * off_s
    ]
    if likely:
        other = min(likely, key=lambda each: abs(music_s - each.expected_s))
        return News(
            code="looks-like",
            severity="act",
            side=side,
            facts={**facts, "other": other.side, "other_printed_s": other.length_s},
        )
    code = "short" if music_s < own.expected_s else "long"
    return News(code=code, severity="look", facts=facts, side=side)


def same_course(one: Sequence[float], two: Sequence[float]) -> bool:
    """Whether two rows of levels (dB every ``COURSE_STEP_S``) are the same music played twice: minute by minute, since
    no player runs equally fast twice."""
    a, b = _music_part(one), _music_part(two)
    shorter, longer = sorted((len(a), len(b)))
    shift = min(round(_COURSE_SHIFT_S / COURSE_STEP_S), shorter // 4)
    if shorter * COURSE_STEP_S < _LEAST_COURSE_S or longer - shorter > max(shift, 0.05 * longer):
        return False
    size = round(_MINUTE_S / COURSE_STEP_S)
    starts = range(0, max(1, len(a) - size // 2), size)
    found = np.array([_correlation(a, b, start, size, shift) for start in starts])
    likeness, rival = np.median(found, axis=0)
    return bool(likeness > _SAME_COURSE and rival < _RIVAL * likeness)


def _music_part(course: Sequence[float]) -> NDArray[np.float64]:
    """Smoothed, from the first to the last music: one take ends at the lift, another in the run-out, whose crackle may be as
    loud but never stays. What is not music is NaN."""
    if len(course) < _STAYS:
        return np.zeros(0)
    power = np.convolve(10.0 ** (np.asarray(course, np.float64) / 10.0), _SMOOTHING, "same")
    levels = 10.0 * np.log10(power + 1e-14)
    is_music = levels > np.percentile(levels, 90.0) - _MUSIC_WITHIN_DB
    stays = np.convolve(is_music, np.full(_STAYS, 1.0 / _STAYS), "same") >= 0.5
    places = np.flatnonzero(is_music & stays)
    if not len(places):
        return np.zeros(0)
    return np.where(is_music, levels, np.nan)[places[0] : places[-1] + 1]


def _correlation(
    a: NDArray[np.float64], b: NDArray[np.float64], start: int, size: int, shift: int
) -> tuple[float, float]:
    """The highest correlation of a piece of ``a`` with ``b`` near the same place, where both have music: that music stops
    says nothing of which music it is. And the highest at a place more than ``_RIVAL_S`` from that one."""
    found = np.zeros(2 * shift + 1)
    for by in range(-shift, shift + 1):
        first = max(start, -by)
        stop = min(start + size, len(a), len(b) - by)
        if stop - first < _LEAST_MUSIC_S / COURSE_STEP_S:
            continue
        x, y = a[first:stop], b[first + by : stop + by]
        both = ~(np.isnan(x) | np.isnan(y))
        if both.sum() < _LEAST_MUSIC_S / COURSE_STEP_S:
            continue
        x, y = x[both] - x[both].mean(), y[both] - y[both].mean()
        power = float(np.sqrt((x @ x) * (y @ y)))
        found[by + shift] = float(x @ y) / power if power > 0.0 else 0.0
    place = int(np.argmax(found))
    away = np.abs(np.arange(len(found)) - place) > _RIVAL_S / COURSE_STEP_S
    return max(0.0, float(found[place])), float(found[away].max(initial=0.0))


def shortest_side_s(side: str, printed: Mapping[str, PrintedSide], *, without_print_s: float) -> float:
    """A take that was ended by a lift before this is a false start."""
    own = printed.get(side)
    return without_print_s if own is None else 0.5 * own.length_s


def sides_on_sleeve(record: Record) -> tuple[str, ...]:
    """Names of the sides, in order."""
    sides: tuple[Side, ...] = record.sides
    return tuple(side.name for side in sides)
