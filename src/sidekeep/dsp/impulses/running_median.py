"""The median of the last ``CELLS`` of a list, at every place of it: many places at once, by comparisons alone.

A network of comparators sorts whatever comes without asking what it found before (Batcher, AFIPS Conf. Proc. 32, 1968, from
memory), so the same step is made at eight neighbouring places together. Only what can be the median is put in order to the end.
"""

from __future__ import annotations

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.kernel import inner_kernel

CELLS = 20
"""Of the local scale, on each side; the network is made for so many."""

Four = tuple[float, float, float, float]
Eight = tuple[float, float, float, float, float, float, float, float]


@inner_kernel
def running_median(values: Vector, medians: Vector) -> None:
    """``medians[i]``: the upper median of ``values[i - CELLS + 1 : i + 1]``, or of as many as there are before."""
    first = min(CELLS - 1, values.shape[0])
    held = values[:first].copy()
    for i in range(first):
        new, at = values[i], i
        while at > 0 and held[at - 1] > new:
            held[at] = held[at - 1]
            at -= 1
        held[at] = new
        medians[i] = held[(i + 1) // 2]
    out = medians[first:]
    for i in range(values.shape[0] - CELLS + 1):
        out[i] = median_of_twenty(values, i)


@inner_kernel
def median_of_twenty(m: Vector, i: int) -> float:
    """The eleventh in order of ``m[i : i + CELLS]``."""
    a = merge_fours(
        sort_four(m[i], m[i + 1], m[i + 2], m[i + 3]), sort_four(m[i + 4], m[i + 5], m[i + 6], m[i + 7])
    )
    b = merge_fours(
        sort_four(m[i + 8], m[i + 9], m[i + 10], m[i + 11]),
        sort_four(m[i + 12], m[i + 13], m[i + 14], m[i + 15]),
    )
    c = sort_four(m[i + 16], m[i + 17], m[i + 18], m[i + 19])
    seventh, eighth = greatest_two_below(a, b)
    ninth, tenth, eleventh = least_three_above(a, b)
    # with so many of the last four below it
    none, one, two = eleventh, max(tenth, c[0]), max(ninth, c[1])
    three, four = max(eighth, c[2]), max(seventh, c[3])
    return min(min(min(none, one), min(two, three)), four)


@inner_kernel
def sort_four(a: float, b: float, c: float, d: float) -> Four:
    """Four in order."""
    a, b = min(a, b), max(a, b)
    c, d = min(c, d), max(c, d)
    a, c = min(a, c), max(a, c)
    b, d = min(b, d), max(b, d)
    return a, min(b, c), max(b, c), d


@inner_kernel
def merge_fours(a: Four, b: Four) -> Eight:
    """Eight in order from two fours in order: the odd ones and the even ones merged, then neighbours compared."""
    first, x, y = min(a[0], b[0]), max(a[0], b[0]), min(a[2], b[2])
    third, fifth, seventh = min(x, y), max(x, y), max(a[2], b[2])
    second, x, y = min(a[1], b[1]), max(a[1], b[1]), min(a[3], b[3])
    fourth, sixth, eighth = min(x, y), max(x, y), max(a[3], b[3])
    return (
        first,
        min(second, third),
        max(second, third),
        min(fourth, fifth),
        max(fourth, fifth),
        min(sixth, seventh),
        max(sixth, seventh),
        eighth,
    )


@inner_kernel
def greatest_two_below(a: Eight, b: Eight) -> tuple[float, float]:
    """The seventh and the eighth of two eights in order: the greatest of the lower half, which rises and then falls."""
    one = max(min(a[0], b[7]), min(a[4], b[3]))
    two = max(min(a[1], b[6]), min(a[5], b[2]))
    three = max(min(a[2], b[5]), min(a[6], b[1]))
    four = max(min(a[3], b[4]), min(a[7], b[0]))
    one, two = max(one, three), max(two, four)
    return min(one, two), max(one, two)


@inner_kernel
def least_three_above(a: Eight, b: Eight) -> tuple[float, float, float]:
    """The ninth to the eleventh of two eights in order: the least of the upper half, which falls and then rises."""
    one = min(max(a[0], b[7]), max(a[4], b[3]))
    two = min(max(a[1], b[6]), max(a[5], b[2]))
    three = min(max(a[2], b[5]), max(a[6], b[1]))
    four = min(max(a[3], b[4]), max(a[7], b[0]))
    low, high = min(one, three), min(two, four)
    return min(low, high), max(low, high), min(max(one, three), max(two, four))
