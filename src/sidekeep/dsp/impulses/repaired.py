"""What was mended in a stretch, and what was left there: one row for each span of one wall, as arrays from kernel to kernel.

Conventions: frames of a plane or of the take, as whoever holds the table says. Rows are in order of their first frame, then of
their wall. A side holds tens of thousands of them, so none is an object of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

START, LENGTH, PEAK, WALL, DAMAGED, FATE, SPAN_COLUMNS = range(7)
"""Columns of ``spans``. ``DAMAGED`` are the frames of damage in it: fewer than ``LENGTH`` where it was mended at a lower rate."""
SIZE_DB, DOUBT, TAKEN_OUT, LEFT, LONE, SURE, FACT_COLUMNS = range(7)
"""Columns of ``facts``: size over the local slope, how doubtful what was mended is by itself (0 to 1, ``safety``), energy of what
is taken out of the span and of what is left in it, whether it is in doubt or to be believed only among others (a grade of
``lone``), and how many nats surer it is than it must be."""
MENDED, DOUBTFUL, TOO_LONG, UNDONE = range(4)
"""Fates. What is doubtful was left as it was, and may be the head of a thump all the same; so was what is too long to mend. What
was undone looked like damage and is none: how much of that there is tells how far to believe the rest (``flow.mend_doubts``)."""


@dataclass(frozen=True, eq=False)
class Repaired:
    """``spans`` (rows, ``SPAN_COLUMNS``), ``facts`` (rows, ``FACT_COLUMNS``), and ``values``, the new samples of all that were
    mended, one behind the other."""

    spans: Ints
    facts: Floats
    values: Floats

    def __len__(self) -> int:
        return len(self.spans)

    @classmethod
    def none(cls) -> Repaired:
        """No rows."""
        return cls(np.empty((0, SPAN_COLUMNS), np.int64), np.empty((0, FACT_COLUMNS)), np.empty(0))

    @classmethod
    def from_planes(cls, planes: Floats, spans: Ints, facts: Floats) -> Repaired:
        """Rows in any order; their new samples are those of the planes (channels, frames)."""
        order = np.lexsort((spans[:, WALL], spans[:, START]))
        spans, facts = spans[order], facts[order]
        values = np.empty(int(spans[spans[:, FATE] == MENDED, LENGTH].sum()))
        gather_values(planes, spans, values)
        return cls(spans, facts, values)

    @classmethod
    def from_parts(cls, spans: list[Ints], facts: list[Floats], values: list[Floats]) -> Repaired:
        """Rows in any order; ``values`` holds the new samples of each, empty where nothing was mended."""
        if not spans:
            return cls.none()
        rows = np.stack(spans)
        order = np.lexsort((rows[:, WALL], rows[:, START]))
        return cls(
            rows[order], np.stack(facts)[order], np.concatenate([values[row] for row in order.tolist()])
        )

    def only(self, chosen: NDArray[np.bool_]) -> Repaired:
        """Some of the rows."""
        if chosen.all():
            return self
        mended = self.spans[:, FATE] == MENDED
        values = self.values[np.repeat(chosen[mended], self.spans[mended, LENGTH])]
        return Repaired(self.spans[chosen], self.facts[chosen], values)

    def moved(self, frames: int) -> Repaired:
        """The same with frames that count from as many earlier on."""
        spans = self.spans.copy()
        spans[:, START] += frames
        spans[:, PEAK] += frames
        return Repaired(spans, self.facts, self.values)


@kernel
def gather_values(planes: Floats, spans: Ints, values: Floats) -> None:
    """``values`` gets the samples of the planes in each span that was mended, one behind the other."""
    at = 0
    for row in range(spans.shape[0]):
        if spans[row, FATE] == MENDED:
            first, wall = spans[row, START], spans[row, WALL]
            for k in range(spans[row, LENGTH]):
                values[at + k] = planes[wall, first + k]
            at += spans[row, LENGTH]


@kernel
def lay_values(frames: Floats, first_frame: int, spans: Ints, values: NDArray[np.float32]) -> None:
    """Put the new samples of what was mended in place, in order; ``frames`` (frames, channels) begin at ``first_frame``."""
    at = 0
    for row in range(spans.shape[0]):
        if spans[row, FATE] == MENDED:
            first, wall = spans[row, START] - first_frame, spans[row, WALL]
            for k in range(spans[row, LENGTH]):
                frames[first + k, wall] = values[at + k]
            at += spans[row, LENGTH]
