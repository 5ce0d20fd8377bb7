"""Marks that are too faint to be told one by one: chance, or what is left of marks that both takes have, may look like them.

A mark that stands far out is told wherever it is: the other take could not have hidden it. Of the fainter ones a certain
number is always there, as often like a mark that came as like one that went, and half again as often like neither (``changed``).
Only where one kind is more numerous than that leads to expect (a Poisson count), where clear marks of its kind say that the
disc has changed, or where its marks come back turn after turn, is it told.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from sidekeep.flow.comparison.marks.marks import Mark

SURE_DB = 22.0
SURE_ALONE, LEAST_ALONE_DB = 60.0, 12.0
"""Size over the music from which a mark is told by itself; or deviations, from about half that size. What looked like a mark on
57 pressed pairs without change stood out by up to 93 deviations, but was never over 10 dB where it did."""
EXPECTED_SHARE, LEAST_EXPECTED = 0.6, 1.0
"""Of each kind, for every faint difference that is neither: the mean agrees with a difference by chance as much as with a mark in
0.55 of all cases, either way, and with neither in 0.45 (``marks.AGREES``); and never fewer than the second."""
CHANCE = 1e-3
"""That so many are there by chance: one pair in a thousand for either kind. No matter (see the README): all of these, where
twenty marks come."""
ENOUGH_CLEAR = 5
"""Where so many clear ones came (or went), fainter ones did too: dust is of all sizes."""


def without_faint(marks: Sequence[Mark]) -> list[Mark]:
    """All marks; those that cannot be told from chance have the state ``perhaps``."""
    from scipy.special import pdtrc

    def is_faint(mark: Mark) -> bool:
        stands_out = mark.sureness >= SURE_ALONE and mark.size_db >= LEAST_ALONE_DB
        return mark.scratch is None and not stands_out and mark.size_db < SURE_DB

    def faint(state: str) -> int:
        return sum(mark.state == state and is_faint(mark) for mark in marks)

    def clear(state: str) -> int:
        return sum(mark.state == state and not is_faint(mark) for mark in marks)

    expected = max(LEAST_EXPECTED, EXPECTED_SHARE * faint("changed"))
    doubted = {
        state
        for state in ("new", "gone")
        if faint(state) and clear(state) < ENOUGH_CLEAR and pdtrc(faint(state) - 1, expected) > CHANCE
    }
    return [
        dataclasses.replace(mark, state="perhaps") if mark.state in doubted and is_faint(mark) else mark
        for mark in marks
    ]
