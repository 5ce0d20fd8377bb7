"""Repairs of one shape on one wall within less than a turn: pulses of an instrument."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.likeness import count_alike

Floats = NDArray[np.float64]


def counted(
    planes: Floats,
    work: Floats,
    rows: NDArray[np.int64],
    walls: list[int],
    *,
    asked: NDArray[np.bool_] | None = None,
    reach: int = 30_000,
    least: float = 0.985,
) -> list[int]:
    alike = np.full(len(rows), -1, dtype=np.int64)
    every = np.ones(len(rows), dtype=np.bool_) if asked is None else asked
    count_alike(planes, work, rows, np.array(walls, dtype=np.int64), every, reach, least, alike)
    return alike.tolist()


def rows_at(firsts: list[int], lengths: list[int]) -> NDArray[np.int64]:
    return np.array([(a, a + n, a + n // 2) for a, n in zip(firsts, lengths, strict=True)], dtype=np.int64)


def test_pulses_of_one_shape_are_alike_wherever_their_spans_were_cut_and_specks_are_not() -> None:
    """Bumps of one kind are as like as 0.97; the same pulse through the same groove noise is liker."""
    rng = np.random.default_rng(3)
    pulse = np.hanning(46)[1:-1] * np.sin(np.arange(44) / 5.0)
    firsts, lengths = [1_000, 5_000, 9_003, 13_000, 17_000], [44, 48, 40, 44, 44]
    work = np.zeros((2, 20_000))
    planes = 0.004 * rng.standard_normal((2, 20_000))
    for first in (1_000, 5_002, 9_000, 13_000):
        planes[0, first : first + 44] += pulse * rng.uniform(0.5, 2.0)
    planes[0, 17_000:17_044] += rng.standard_normal(44)
    rows = rows_at(firsts, lengths)
    assert counted(planes, work, rows, [0] * 5) == [3, 3, 3, 3, 0]
    assert counted(planes, work, rows, [0, 0, 1, 0, 0]) == [2, 2, 0, 2, 0], "another wall is another sound"
    assert counted(planes, work, rows, [0] * 5, reach=4_500) == [1, 2, 2, 1, 0]
    assert counted(planes, work, rows, [0] * 5, asked=np.array([True, True, False, True, True]))[2] == 0
    assert counted(work, work, rows, [0] * 5) == [0] * 5, "nothing was taken out"


@pytest.mark.parametrize("least", [0.5, 0.8, 0.95])
def test_the_alike_are_counted_as_by_numpy(least: float) -> None:
    rng = np.random.default_rng(5)
    firsts = np.sort(rng.choice(9_000, 24, replace=False)).tolist()
    lengths = rng.integers(12, 60, 24).tolist()
    rows, walls = rows_at(firsts, lengths), rng.integers(0, 2, 24).tolist()
    asked = rng.random(24) < 0.8
    work = rng.standard_normal((2, 9_100))
    planes = work.copy()
    for (first, last, _), wall in zip(rows.tolist(), walls, strict=True):
        t = np.linspace(0.0, 1.0, last - first)
        planes[wall, first:last] += np.sin(2.0 * np.pi * rng.uniform(0.5, 2.0) * t)
    plain = [0] * 24
    for i in range(24):
        for j in range(24):
            near = abs(firsts[i] - firsts[j]) <= 4_000 and walls[i] == walls[j]
            if i == j or not near or not asked[i] or not asked[j]:
                continue
            own, other = (
                planes[walls[k], rows[k, 0] : rows[k, 1]] - work[walls[k], rows[k, 0] : rows[k, 1]]
                for k in (i, j)
            )
            every = np.correlate(other, own, "full")
            shifts = np.arange(1 - len(own), len(other))
            best = every[np.abs(shifts) <= min(len(own), len(other)) // 2].max()
            plain[i] += bool(best >= least * np.sqrt(np.sum(own**2) * np.sum(other**2)))
    got = counted(planes, work, rows, walls, asked=asked, reach=4_000, least=least)
    assert got == plain
    assert sum(plain) > 0
