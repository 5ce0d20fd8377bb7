"""Tables of damaged spans: joined where they touch, asked where they lie.

Conventions: a table is (n, 3) int64 rows (first, last + 1, peak frame) in order of the first frame, not overlapping,
with the size of each beside it in scales. A span belongs to the take, not to a channel: what it takes from each wall
is for the estimate to say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel, kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class DamageSpans:
    """A table and its sizes."""

    rows: Ints
    sizes: Floats

    def __len__(self) -> int:
        return len(self.rows)

    @classmethod
    def none(cls) -> DamageSpans:
        """No spans."""
        return cls(np.empty((0, 3), dtype=np.int64), np.empty(0))

    def joined(self, other: DamageSpans, longest: int) -> DamageSpans:
        """Both, joined where they touch or overlap; what would be longer than ``longest`` stays side by side."""
        rows = np.concatenate([self.rows, other.rows])
        sizes = np.concatenate([self.sizes, other.sizes])
        count = join_rows(rows, sizes, len(self), longest)
        return DamageSpans(rows[:count], sizes[:count])

    def meeting(self, other: DamageSpans) -> DamageSpans:
        """Those that overlap one of the others."""
        met = overlap(self.rows[:, 0], self.rows[:, 1], other.rows[:, 0], other.rows[:, 1])
        return DamageSpans(np.ascontiguousarray(self.rows[met]), self.sizes[met])


def overlap(first: Ints, stop: Ints, firsts: Ints, stops: Ints) -> NDArray[np.bool_]:
    """Which half-open spans [first, stop) meet one of [firsts, stops); the latter with both ends in order."""
    begun = np.searchsorted(firsts, stop, "left")
    ended = np.searchsorted(stops, first, "right")
    return np.asarray(begun > ended)


def changed_energy(before: Floats, after: Floats, rows: Ints) -> tuple[Floats, Floats]:
    """Energy (channels, rows) of what was taken out of each span of the planes, and of what was left."""
    taken_out, left = np.zeros((len(before), len(rows))), np.zeros((len(before), len(rows)))
    sum_changes(before, after, rows, taken_out, left)
    return taken_out, left


@kernel
def sum_changes(before: Floats, after: Floats, rows: Ints, taken_out: Floats, left: Floats) -> None:
    """Add the squares of differences, and of what is there after, over each row."""
    for c in range(before.shape[0]):
        for i in range(rows.shape[0]):
            for n in range(rows[i, 0], rows[i, 1]):
                taken_out[c, i] += (before[c, n] - after[c, n]) ** 2
                left[c, i] += after[c, n] ** 2


@inner_kernel
def sort_rows(rows: Ints, first: int, stop: int, order: Ints) -> None:
    """``order[first:stop]`` gets these rows by their first frame and then their last; they are nearly in order."""
    for i in range(first, stop):
        k = i
        while k > first and _is_before(rows[i], rows[order[k - 1]]):
            order[k] = order[k - 1]
            k -= 1
        order[k] = i


@inner_kernel
def merge_rows(rows: Ints, sizes: Floats, own: int) -> None:
    """Two tables, of which the first has ``own`` rows, become one in order, in place."""
    count, k, n = rows.shape[0], own, 0
    order, merged = np.empty(count, np.int64), np.empty(count, np.int64)
    sort_rows(rows, 0, own, order)
    sort_rows(rows, own, count, order)
    for i in range(own + 1):
        while k < count and (i == own or _is_before(rows[order[k]], rows[order[i]])):
            merged[n] = order[k]
            n, k = n + 1, k + 1
        if i < own:
            merged[n] = order[i]
            n += 1
    rows[:], sizes[:] = rows[merged], sizes[merged]


@inner_kernel
def _is_before(one: Ints, other: Ints) -> bool:
    return one[0] < other[0] or (one[0] == other[0] and one[1] < other[1])


@kernel
def join_rows(rows: Ints, sizes: Floats, own: int, longest: int) -> int:
    """Join what touches of two tables, one of ``own`` rows and one behind it, in place; how many are left, in order.

    The peak of a joined row is that of the largest.
    """
    merge_rows(rows, sizes, own)
    count = 0
    for i in range(rows.shape[0]):
        first, stop, peak = rows[i, 0], rows[i, 1], rows[i, 2]
        if count and first <= rows[count - 1, 1]:
            end = max(stop, rows[count - 1, 1])
            if end - rows[count - 1, 0] <= longest:
                rows[count - 1, 1] = end
                if sizes[i] > sizes[count - 1]:
                    sizes[count - 1] = sizes[i]
                    rows[count - 1, 2] = peak
                continue
            first = rows[count - 1, 1]
        if stop > first:
            rows[count, 0], rows[count, 1], rows[count, 2] = first, stop, peak
            sizes[count] = sizes[i]
            count += 1
    return count
