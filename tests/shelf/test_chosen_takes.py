"""Which take stands for a side, when the clock of the machine was wrong on one of the evenings."""

from __future__ import annotations

import dataclasses

from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.take_choice import choose_takes


def take(name: str, day: str) -> ShelfTake:
    side, _, number = name.rpartition("-")
    return ShelfTake(
        side=side,
        number=int(number),
        folder=f"takes/{name}",
        rate_hz=96_000,
        channels=2,
        bits=24,
        length_frames=96_000 * 600,
        files=(),
        taken_utc=f"{day}T20:00:00+00:00",
    )


def test_a_clock_that_was_set_back_makes_no_older_take_the_newest() -> None:
    evenings = [take("A-1", "2026-03-01"), take("A-2", "2026-04-01"), take("A-3", "1970-01-01")]
    chosen = choose_takes(evenings, {})
    assert chosen.owners == {"A": "takes/A-3"}
    assert chosen.doubts == ()


def test_between_two_rows_of_numbers_the_dates_speak() -> None:
    """Both sides in one take, then side A once more; and the other way round."""
    both_first = [take("AB-1", "2026-03-01"), take("AB-2", "2026-03-02"), take("A-1", "2026-04-01")]
    assert choose_takes(both_first, {}).owners["A"] == "takes/A-1"
    both_last = [take("A-1", "2026-03-01"), take("A-2", "1970-01-01"), take("AB-1", "2026-03-02")]
    assert choose_takes(both_last, {}).owners["A"] == "takes/AB-1"


def test_a_take_that_plays_another_side_keeps_its_row() -> None:
    """``[plays]``: what was recorded as A-2 is side B, after the take that is called so."""
    turned = dataclasses.replace(take("A-2", "2026-03-03"), side="B")
    assert choose_takes([take("B-1", "2026-03-02"), turned], {}).owners == {"B": "takes/A-2"}
