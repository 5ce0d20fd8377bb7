"""Running medians against sorting; the comparator network by every input of noughts and ones.

A network of comparators that is right for all inputs of noughts and ones is right for all (Knuth, *The Art of Computer
Programming*, vol. 3, 2nd ed. 1998, section 5.3.4, theorem Z; from memory).
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from sidekeep.dsp.impulses.running_median import (
    CELLS,
    greatest_two_below,
    least_three_above,
    median_of_twenty,
    merge_fours,
    running_median,
    sort_four,
)


@pytest.mark.parametrize("length", [0, 1, 5, CELLS - 1, CELLS, CELLS + 1, 300])
@pytest.mark.parametrize("steps", [1e9, 4.0])
def test_running_medians_are_those_of_sorted_windows(length: int, steps: float) -> None:
    values = np.round(np.random.default_rng(length).random(length) * steps) / steps
    medians = np.full(length, np.nan)
    running_median(values, medians)
    windows = [np.sort(values[max(0, i + 1 - CELLS) : i + 1]) for i in range(length)]
    assert medians.tolist() == [window[len(window) // 2] for window in windows]


def test_four_are_sorted() -> None:
    for given in product((0.0, 1.0), repeat=4):
        assert list(sort_four(*given)) == sorted(given)


def rising(count: int) -> list[tuple[float, ...]]:
    """All lists in order of noughts and ones."""
    return [(0.0,) * (count - ones) + (1.0,) * ones for ones in range(count + 1)]


def test_two_fours_in_order_become_eight() -> None:
    for a, b in product(rising(4), repeat=2):
        assert list(merge_fours(a, b)) == sorted(a + b)


def test_the_middle_of_two_eights() -> None:
    for a, b in product(rising(8), repeat=2):
        wanted = sorted(a + b)
        assert list(greatest_two_below(a, b)) == wanted[6:8]
        assert list(least_three_above(a, b)) == wanted[8:11]


def test_the_median_is_right_whatever_the_order_of_its_parts() -> None:
    for a, b, c, d, e in product(rising(4), repeat=5):
        given = a + b + c + d + e
        assert median_of_twenty(np.array(given), 0) == sorted(given)[CELLS // 2]
