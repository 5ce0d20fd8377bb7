"""Damaged places of a take: what was mended on its two walls, taken together where it overlaps.

Conventions: rows are those of ``repaired``, frames those of the take. A place holds rows of one fate: what was mended, or
what was left for doubt, which is a stroke like others of a beat all the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.repaired import (
    DAMAGED,
    DOUBT,
    DOUBTFUL,
    FATE,
    LEFT,
    LENGTH,
    PEAK,
    SIZE_DB,
    START,
    TAKEN_OUT,
    TOO_LONG,
    UNDONE,
    WALL,
    Repaired,
)
from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NOWHERE = -1
"""In place of the number of a place: rows that belong to none."""


@dataclass(frozen=True, eq=False)
class Places:
    """One value a place: peak of its largest row, frames of damage of its longest, the wall of which most is taken out, how much
    that is in all and how much is left; how doubtful its most doubtful row is, and whether it was left for doubt.

    ``of_rows`` says which place each row belongs to.
    """

    of_rows: Ints
    peaks: Ints
    lengths: Ints
    walls: Ints
    energy: Floats
    left: Floats
    doubts: Floats
    left_alone: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.peaks)

    @classmethod
    def of(cls, repaired: Repaired, last_stops: Ints) -> Places:
        """The places of a table. ``last_stops``: per wall, where the last mended row before this table ends; it is brought up to
        date. What was mended must begin behind it, or belongs nowhere; so does what is too long to mend, or was undone."""
        rows, walls = len(repaired), len(last_stops)
        of_rows, ints, floats = (
            np.empty(rows, np.int64),
            np.zeros((rows, 4), np.int64),
            np.zeros((rows, 3 + walls)),
        )
        count = gather_places(repaired.spans, repaired.facts, last_stops, of_rows, ints, floats)
        ints, floats = ints[:count], floats[:count]
        return cls(
            of_rows=of_rows,
            peaks=ints[:, 1],
            lengths=ints[:, 2],
            walls=floats[:, 3:].argmax(axis=1),
            energy=floats[:, 3:].sum(axis=1),
            left=floats[:, 1],
            doubts=floats[:, 2],
            left_alone=ints[:, 3] == DOUBTFUL,
        )


@kernel
def gather_places(
    spans: Ints, facts: Floats, last_stops: Ints, of_rows: Ints, ints: Ints, floats: Floats
) -> int:
    """Number the places and add up their rows; how many there are.

    ``ints`` (rows, 4): stop, peak, longest damage, fate. ``floats`` (rows, 3 and one for each wall), zeros at first: largest
    size, what is left, greatest doubt, what is taken out of each wall.
    """
    count = 0
    for row in range(spans.shape[0]):
        of_rows[row] = NOWHERE
        start, wall, fate = spans[row, START], spans[row, WALL], spans[row, FATE]
        stop = start + spans[row, LENGTH]
        if fate in (TOO_LONG, UNDONE):
            continue
        if fate != DOUBTFUL:
            if start < last_stops[wall]:
                continue
            last_stops[wall] = stop
        at = count - 1
        if count == 0 or start >= ints[at, 0] or ints[at, 3] != fate:
            at, count = count, count + 1
            ints[at, 0], ints[at, 3] = stop, fate
            ints[at, 1], floats[at, 0] = spans[row, PEAK], facts[row, SIZE_DB]
        of_rows[row] = at
        ints[at, 0] = max(ints[at, 0], stop)
        if facts[row, SIZE_DB] > floats[at, 0]:
            ints[at, 1], floats[at, 0] = spans[row, PEAK], facts[row, SIZE_DB]
        ints[at, 2] = max(ints[at, 2], spans[row, DAMAGED])
        floats[at, 1] += facts[row, LEFT]
        floats[at, 2] = max(floats[at, 2], facts[row, DOUBT])
        floats[at, 3 + wall] += facts[row, TAKEN_OUT]
    return count


@kernel
def join_walls(rows: Ints, sizes_db: Floats, both: int, alone: int, places: Ints) -> int:
    """Overlapping repairs of the two walls become one on both, in place; how many are left, and in ``places`` which each became.

    ``rows`` (repairs, 4): first frame, last + 1, wall (0, 1 or ``both``) and kind, in order of frame, then wall; the kind is
    that of the larger one. Repairs of the kind ``alone`` are never joined.
    """
    count, reached = 0, 0
    for row in range(rows.shape[0]):
        start, stop, wall, kind = rows[row, 0], rows[row, 1], rows[row, 2], rows[row, 3]
        size_db = sizes_db[row]
        near = 0 if start >= reached else min(4, count)
        reached = max(reached, stop)
        places[row] = count
        for back in range(1, near + 1):
            other = count - back
            if start >= rows[other, 1] or kind == alone or rows[other, 3] == alone:
                continue
            if wall != both and rows[other, 2] != both and wall != rows[other, 2]:
                places[row] = other
                rows[other, 1], rows[other, 2] = max(rows[other, 1], stop), both
                if size_db > sizes_db[other]:
                    rows[other, 3], sizes_db[other] = kind, size_db
                break
        if places[row] == count:
            rows[count, 0], rows[count, 1], rows[count, 2], rows[count, 3] = start, stop, wall, kind
            sizes_db[count] = size_db
            count += 1
    return count
