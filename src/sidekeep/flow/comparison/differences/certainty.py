"""How large a change must be before it is told, given how much it varies along the side and how much is asked at once.

Some fifty things are asked of a pair of takes (measures by third and channel), and a person compares many pairs: each of them
may be wrong by chance once in ten thousand times only (Bonferroni's way with families of tests), which for fifty is one pair in
two hundred. The deviation is itself estimated, from a few blocks, so the limit is Student's (Biometrika 6, 1908) and not the
normal one. What a player and its chain change by themselves from one evening to the next comes on top: both are independent, so
their squares add.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

CHANCE = 1e-4
"""Of one question, both ways together."""
CHANCE_OF_TWO = 1e-3
"""Where two neighbours must say the same before it is told."""
FEWEST_BLOCKS, MOST_BLOCKS, FRAMES_A_BLOCK = 8, 24, 3
"""More blocks than 24 make the spread too small where neighbours vary together: with 48 less noise was told where none had
changed. No matter (see the README): the fewest, and the frames."""


def blocks_of(frames: int) -> int:
    """Into how many blocks so many frames are divided: more of them tell the spread better, and each needs a median."""
    return int(np.clip(frames // FRAMES_A_BLOCK, FEWEST_BLOCKS, MOST_BLOCKS))


def medians_of(values: NDArray[np.float64], blocks: int) -> NDArray[np.float64]:
    """The median of each of so many parts of nearly equal length, one after the other, as ``numpy.array_split`` makes them."""
    length, longer = divmod(len(values), blocks)
    cut = longer * (length + 1)
    parts = (values[:cut].reshape(longer, length + 1), values[cut:].reshape(blocks - longer, length))
    return np.concatenate([np.median(part, axis=1) for part in parts if len(part)])


def spread_of(values: NDArray[np.float64]) -> float:
    """One deviation of what blocks say, of the middle ones: a block that music, damage or the end of the groove spoils must not
    make the whole look unsure, nor may it be left out."""
    plain = float(np.std(values))
    usual = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return float(np.clip(usual, 0.5 * plain, plain))


def detectable(floor: float, sd: float, blocks: int, chance: float = CHANCE) -> float:
    """The smallest change that is told: ``floor`` (what changes by itself) and the deviation ``sd`` of the measured change, which
    was estimated from ``blocks`` blocks; all in one unit."""
    return float(np.hypot(floor, _student(blocks - 1, chance) * sd))


@cache
def _student(freedom: int, chance: float) -> float:
    """Deviations that Student's distribution passes, either way, with a chance."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 1.0 - chance / 2.0))
