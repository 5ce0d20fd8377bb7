"""Tables of what was mended, and the places they make: each kernel against its plain twin, lists and nothing clever."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.places import NOWHERE, Places, gather_places, join_walls
from sidekeep.dsp.impulses.repaired import (
    DOUBTFUL,
    MENDED,
    START,
    TOO_LONG,
    UNDONE,
    Repaired,
    lay_values,
)
from tests.dsp.impulses.rows import each_values

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def made(seed: int, rows: int = 60) -> Repaired:
    """Rows of every fate on two walls, many of them overlapping; the new samples of each are its number."""
    rng = np.random.default_rng(seed)
    spans, facts, values = [], [], []
    for row in range(rows):
        start, length = int(rng.integers(2_000)), int(rng.integers(5, 40))
        fate = int(rng.choice([MENDED, DOUBTFUL, TOO_LONG, UNDONE], p=[0.65, 0.25, 0.05, 0.05]))
        spans.append(np.array([start, length, start + 2, rng.integers(2), length - 3, fate]))
        facts.append(rng.uniform(1.0, 9.0, 4))
        values.append(np.full(length if fate == MENDED else 0, float(row)))
    return Repaired.from_parts(spans, facts, values)


def plain_places(repaired: Repaired, last_stops: list[int]) -> tuple[list[int], list[dict[str, list[float]]]]:
    """The place of each row, and of each place its rows, fact by fact."""
    at: list[int] = []
    places: list[dict[str, list[float]]] = []
    stop = 0
    for (start, length, peak, wall, damaged, fate), facts in zip(
        repaired.spans.tolist(), repaired.facts.tolist(), strict=True
    ):
        at.append(NOWHERE)
        if fate in (TOO_LONG, UNDONE) or (fate == MENDED and start < last_stops[wall]):
            continue
        if fate == MENDED:
            last_stops[wall] = start + length
        if not places or start >= stop or places[-1]["fate"] != [fate]:
            places.append({"fate": [fate], "facts": []})
            stop = start + length
        stop = max(stop, start + length)
        places[-1]["facts"].append([wall, peak, damaged, *facts])  # type: ignore[arg-type]
        at[-1] = len(places) - 1
    return at, places


@pytest.mark.parametrize("seed", range(5))
def test_places_are_those_of_the_plain_twin(seed: int) -> None:
    repaired, last_stops = made(seed), np.array([100, 50])
    plain_stops = last_stops.tolist()
    at, expected = plain_places(repaired, plain_stops)
    places = Places.of(repaired, last_stops)
    assert last_stops.tolist() == plain_stops
    assert places.of_rows.tolist() == at
    assert len(places) == len(expected) > 20
    for row, place in enumerate(expected):
        walls, peaks, damaged, sizes, doubts, taken_out, left = np.array(place["facts"]).T
        by_wall = [taken_out[walls == wall].sum() for wall in (0, 1)]
        assert places.left_alone[row] == (place["fate"] == [DOUBTFUL])
        assert places.peaks[row] == peaks[np.argmax(sizes)]
        assert places.lengths[row] == damaged.max()
        assert places.walls[row] == np.argmax(by_wall)
        assert places.doubts[row] == doubts.max()
        np.testing.assert_allclose(places.energy[row], sum(by_wall), rtol=1e-14)
        np.testing.assert_allclose(places.left[row], left.sum(), rtol=1e-14)


def test_no_rows_make_no_places() -> None:
    assert len(Places.of(Repaired.none(), np.zeros(2, np.int64))) == 0
    nothing = np.empty((0, 6), np.int64), np.empty((0, 4)), np.zeros(1, np.int64)
    assert gather_places(*nothing, np.empty(0, np.int64), np.empty((0, 4), np.int64), np.empty((0, 4))) == 0


def test_values_are_gathered_and_laid_row_by_row() -> None:
    some = made(7)
    planes = np.random.default_rng(8).standard_normal((2, 2_100)).astype(np.float32).astype(np.float64)
    repaired = Repaired.from_planes(planes, some.spans[::-1], some.facts[::-1])
    late = repaired.only(repaired.spans[:, START] >= 500)
    assert 0 < len(late) < len(repaired)
    frames, expected = np.zeros((2_100, 2)), np.zeros((2_100, 2))
    lay_values(frames[500:], 500, late.spans, late.values.astype(np.float32))
    for (start, length, _, wall, _, fate), values in zip(late.spans.tolist(), each_values(late), strict=True):
        wanted = planes[wall, start : start + length] if fate == MENDED else np.empty(0)
        np.testing.assert_array_equal(values, wanted)
        expected[start : start + len(wanted), wall] = wanted
    np.testing.assert_array_equal(frames, expected)
    assert np.array_equal(repaired.moved(9).spans - repaired.spans, [[9, 0, 9, 0, 0, 0]] * len(repaired))


BOTH, ALONE = 2, 3


def plain_joined(rows: list[list[int]], sizes: list[float]) -> tuple[list[list[int]], list[float], list[int]]:
    """Each repair beside those before it, one by one."""
    joined: list[list[int]] = []
    large: list[float] = []
    became = []
    for (start, stop, wall, kind), size in zip(rows, sizes, strict=True):
        for other in range(len(joined) - 1, max(-1, len(joined) - 5), -1):
            theirs = joined[other]
            alone = ALONE in (kind, theirs[3])
            if start < theirs[1] and not alone and {wall, theirs[2]} == {0, 1}:
                bigger = theirs[3] if large[other] >= size else kind
                joined[other] = [theirs[0], max(theirs[1], stop), BOTH, bigger]
                large[other] = max(large[other], size)
                became.append(other)
                break
        else:
            became.append(len(joined))
            joined.append([start, stop, wall, kind])
            large.append(size)
    return joined, large, became


@pytest.mark.parametrize("seed", range(8))
def test_repairs_of_two_walls_that_overlap_become_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = [
        [
            start,
            start + int(rng.integers(3, 40)),
            int(rng.choice([0, 1, BOTH], p=[0.45, 0.45, 0.1])),
            int(rng.integers(4)),
        ]
        for start in sorted(rng.integers(0, 1_500, 120).tolist())
    ]
    rows.sort(key=lambda row: (row[0], row[2]))
    sizes = rng.integers(10, 14, len(rows)).astype(np.float64)
    expected = plain_joined(rows, sizes.tolist())
    table, places = np.array(rows), np.empty(len(rows), np.int64)
    count = join_walls(table, sizes, BOTH, ALONE, places)
    assert 40 < count < len(rows)
    assert (table[:count].tolist(), sizes[:count].tolist(), places.tolist()) == expected
