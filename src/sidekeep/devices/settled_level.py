"""What the lag of an input always comes back to, and whether that has risen: sound lost while stamps were thrown about.

With too much to do a virtual sound card stamps its blocks early, up to 40 ms for some seconds, and comes back little by
little, in jumps as large as a loss. It never lies far over the level it comes back to: at loads of 7 to 16 on two cores the
highest second of a minute moved by 2 to 5 ms in minutes. So the highest second of the 40 s that ended a while ago is compared
with the lowest half second of the last three. It tells of a loss late, and knows its place only as well as one jump of its size
lies between; two clocks that differ are a slope, which is taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LEAST_RISE_S = 0.012
"""A loss of 20 ms while the card comes back to 8 ms under its level."""
_BLOCKS_PER_S = 20
"""Levels are told so often."""
AFTER_BLOCKS = 3 * _BLOCKS_PER_S
"""All through which the level must stand over the old one (chosen here)."""
COMES_BACK_BLOCKS = 12 * _BLOCKS_PER_S
"""A card may be on its way back for so long: the old level is that of the time before (chosen here)."""
_BEFORE_S, _LEAST_BEFORE_S = 40, 8
"""Seconds before that tell the old level: at the most, and at least."""
_LEAST_SLOPE_S = 20
"""Seconds of each half from which the level's own slope is told, which two clocks that differ make."""
_MOST_SECONDS = 0.7
"""Quantile of the seconds of a half that stands for it: a few late ones do not count (chosen here)."""
_NEAR_S, _CALM_BLOCKS = 0.003, 3 * _BLOCKS_PER_S
"""So near the level for so long a card is back at it; for a second or two it may stay there on its way."""
_SIDE_BLOCKS = 4
"""On each side of a jump, whose medians are compared."""
_JUMP = 0.4
"""Of the height at least, in one go."""
_MOST_PLACES = 8
"""More than these tell a person nothing (chosen here)."""


@dataclass(frozen=True)
class Rise:
    """Of ``height_s``, somewhere from block ``first`` to ``last``. ``places`` are the blocks where stamps jump like it, the most
    alike first."""

    places: tuple[int, ...]
    first: int
    last: int
    height_s: float


def highest_before(ceilings: Sequence[float], later: int) -> float | None:
    """The level by the whole seconds before, as it would be ``later`` blocks after them; None while they are too few."""
    stop = len(ceilings)
    seconds = stop // _BLOCKS_PER_S
    if seconds < _LEAST_BEFORE_S:
        return None
    first = stop - seconds * _BLOCKS_PER_S
    tops = np.median(np.reshape(ceilings[first:], (seconds, _BLOCKS_PER_S)), axis=1)
    slope = _slope(tops)
    tops = tops[-_BEFORE_S:]
    since_s = later / _BLOCKS_PER_S + np.arange(len(tops))[::-1] + 0.5
    return float((tops + slope * since_s).max())


def _slope(tops: NDArray[np.float64]) -> float:
    """How much the level rises in a second by itself: between the two halves, by what most seconds of each reach."""
    half = len(tops) // 2
    if half < _LEAST_SLOPE_S:
        return 0.0
    one, other = (np.quantile(part, _MOST_SECONDS) for part in (tops[:half], tops[-half:]))
    return float(other - one) / (len(tops) - half)


def settled_rise(lags: Sequence[float], ceilings: Sequence[float], stop: int, level: float) -> Rise | None:
    """A rise over the ``level`` there was up to block ``stop``, if it is certain now."""
    if min(ceilings[-AFTER_BLOCKS:]) - level < LEAST_RISE_S:
        return None
    height = float(np.median(ceilings[-_BLOCKS_PER_S:])) - level
    return _placed(lags, ceilings, stop, level, height)


def _placed(
    lags: Sequence[float], ceilings: Sequence[float], stop: int, level: float, height: float
) -> Rise | None:
    """Between the last seconds at the old level and the first one over it, where a jump of the height lies; None where nothing
    jumps: then clocks differ."""
    last = next(
        index
        for index in range(stop, len(lags))
        if index >= len(ceilings) or ceilings[index] > level + 0.5 * height
    )
    last = min(last + _BLOCKS_PER_S // 2, len(lags) - _SIDE_BLOCKS)
    near = np.abs(np.asarray(ceilings[stop - _CALM_BLOCKS : last]) - level) < _NEAR_S
    calm = np.flatnonzero(np.convolve(near, np.ones(_CALM_BLOCKS), "valid") == _CALM_BLOCKS)
    first = stop + int(calm[-1]) if len(calm) else stop
    first = min(max(first, _SIDE_BLOCKS), last - 1)
    values = np.asarray(lags)
    steps = [
        float(
            np.median(values[index : index + _SIDE_BLOCKS]) - np.median(values[index - _SIDE_BLOCKS : index])
        )
        for index in range(first, last)
    ]
    return _jumps(np.asarray(steps), first, height, last)


def _jumps(steps: NDArray[np.float64], first: int, height: float, last: int) -> Rise | None:
    """The highest step of each jump, by how near it is to the height."""
    places: list[int] = []
    left = np.where(steps >= _JUMP * height, -np.abs(steps - height), -np.inf)
    while len(places) < _MOST_PLACES and np.isfinite(best := float(left.max())):
        index = int(np.argmax(left == best))
        places.append(first + index)
        left[max(0, index - _SIDE_BLOCKS) : index + _SIDE_BLOCKS + 1] = -np.inf
    return Rise(places=tuple(places), first=first, last=last, height_s=height) if places else None
