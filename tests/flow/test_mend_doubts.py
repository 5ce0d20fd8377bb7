"""What is left in doubt: what may be music in the company of more that may be, and what is like much that was undone; against
every pair looked at."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.flow.mend_doubts import (
    APART,
    COMPANY,
    COMPANY_S,
    HALF_AS_LARGE_DB,
    LARGE_DB,
    MOST_NATS,
    MOST_NATS_UNDONE,
    NATS_BESIDE,
    NATS_UNDONE,
    NO_DOUBT,
    PERHAPS_MUSIC,
    UNDONE_S,
    Doubts,
    Undone,
)

RATE_HZ = 1_000


def frames_of(seconds: Sequence[float]) -> NDArray[np.int64]:
    return np.round(np.array(seconds) * RATE_HZ).astype(np.int64)


def left(
    *repairs: tuple[float, int, float], undone: Sequence[tuple[float, float]] = (), size_db: float = 20.0
) -> list[bool]:
    """Of repairs (second, grade, nats) of one size, in order of time; ``undone`` are seconds and sizes in dB."""
    starts_s, grades, nats = zip(*repairs, strict=True)
    was_undone = Undone(frames_of([at_s for at_s, _ in undone]), np.array([one_db for _, one_db in undone]))
    doubts = Doubts(np.array(grades), np.array(nats), np.full(len(nats), size_db))
    return doubts.left(frames_of(starts_s), was_undone, RATE_HZ).tolist()


def test_one_doubt_and_two_are_mended_and_three_near_each_other_are_left() -> None:
    music = (PERHAPS_MUSIC, 3.0)
    assert left((1.0, *music)) == [False]
    assert left((1.0, *music), (2.0, *music)) == [False] * 2
    assert left((1.0, *music), (2.0, *music), (21.0, *music)) == [True] * 3
    assert left((1.0, *music), (2.0, *music), (21.5, *music)) == [False, True, False]
    assert left((1.0, *music), (2.0, *music), (61.0, *music)) == [False] * 3


def test_what_both_sides_of_do_not_agree_is_left_alone() -> None:
    assert left((1.0, APART, 12.0), (2.0, NO_DOUBT, 1.0)) == [True, False]


@pytest.mark.parametrize(
    ("nats", "company", "is_left"),
    [
        (3.9, 2, True),
        (4.1, 2, False),
        (6.9, 5, True),
        (7.1, 5, False),
        (8.9, 30, True),
        (9.1, 30, False),
        (0.0, 1, False),
    ],
)
def test_the_more_company_the_surer_what_takes_out_little_must_be(
    nats: float, company: int, is_left: bool
) -> None:
    others = [(1.0 + 0.1 * n, PERHAPS_MUSIC, 3.0) for n in range(company)]
    assert left(*others, (10.0, NO_DOUBT, nats))[-1] == is_left
    assert not left(*others, (10.0, NO_DOUBT, np.inf))[-1], "what takes out much is damage"


@pytest.mark.parametrize(
    ("nats", "count", "is_left"),
    [
        (0.0, 0, False),
        (0.9, 1, True),
        (1.1, 1, False),
        (3.9, 4, True),
        (4.1, 4, False),
        (5.9, 6, True),
        (6.1, 40, False),
    ],
)
def test_the_more_was_undone_near_by_the_surer_what_takes_out_little_must_be(
    nats: float, count: int, is_left: bool
) -> None:
    undone = [(5.0 + 0.2 * n, 19.0) for n in range(count)]
    assert left((9.0, NO_DOUBT, nats), undone=undone) == [is_left]
    assert left((9.0, NO_DOUBT, np.inf), undone=undone) == [False], "what takes out much is damage"


@pytest.mark.parametrize(
    ("at_s", "size_db", "is_left"),
    [(2.0, 14.1, True), (22.0, 40.0, True), (12.0, 13.9, False), (1.9, 40.0, False), (22.1, 40.0, False)],
)
def test_what_was_undone_counts_within_ten_seconds_if_it_is_half_as_large(
    at_s: float, size_db: float, is_left: bool
) -> None:
    assert left((12.0, NO_DOUBT, 0.5), undone=[(at_s, size_db)]) == [is_left]


@pytest.mark.parametrize(("size_db", "is_left"), [(LARGE_DB - 0.1, True), (LARGE_DB + 0.1, False)])
def test_what_is_very_large_is_damage_however_much_there_is_beside_it(size_db: float, is_left: bool) -> None:
    music = [(at_s, PERHAPS_MUSIC, 3.0) for at_s in (1.0, 2.0, 3.0)]
    assert left(*music, size_db=size_db) == [is_left] * 3
    assert left((1.0, NO_DOUBT, 0.5), undone=[(2.0, 40.0)], size_db=size_db) == [is_left]
    assert left((1.0, APART, 12.0), size_db=size_db) == [True]


def test_what_was_undone_in_one_stretch_lies_before_that_of_the_next() -> None:
    parts = [
        Undone(frames_of([1.0, 2.0]), np.array([10.0, 20.0])),
        Undone(frames_of([3.0]), np.array([30.0])),
    ]
    whole = Undone.joined(parts)
    assert whole.starts.tolist() == [1_000, 2_000, 3_000]
    assert whole.sizes_db.tolist() == [10.0, 20.0, 30.0]
    assert not len(Undone.joined([]).starts)


def test_every_repair_by_itself_gives_the_same() -> None:
    rng = np.random.default_rng(5)
    for count in (0, 1, 40, 200):
        starts = np.sort(rng.integers(0, 120 * RATE_HZ, count))
        doubts = Doubts(
            rng.choice([NO_DOUBT, PERHAPS_MUSIC, APART], count, p=[0.8, 0.17, 0.03]),
            rng.uniform(0, 12, count),
            rng.uniform(10, 35, count),
        )
        undone = Undone(np.sort(rng.integers(0, 120 * RATE_HZ, count // 4)), rng.uniform(10, 30, count // 4))
        wanted = []
        for at in range(count):
            company = sum(
                int(
                    doubts.grades[other] != NO_DOUBT
                    and abs(int(starts[other] - starts[at])) <= COMPANY_S * RATE_HZ
                )
                for other in range(count)
                if other != at
            )
            little = doubts.nats[at] < min(MOST_NATS, NATS_BESIDE + company)
            in_company = company >= COMPANY and (doubts.grades[at] != NO_DOUBT or little)
            against = sum(
                abs(int(start - starts[at])) <= UNDONE_S * RATE_HZ
                and size_db >= doubts.sizes_db[at] + HALF_AS_LARGE_DB
                for start, size_db in zip(undone.starts, undone.sizes_db, strict=True)
            )
            like_undone = doubts.nats[at] < min(MOST_NATS_UNDONE, NATS_UNDONE * against)
            small = doubts.sizes_db[at] < LARGE_DB
            wanted.append(bool(small and (in_company or like_undone)) or doubts.grades[at] == APART)
        assert doubts.left(starts, undone, RATE_HZ).tolist() == wanted


def test_a_repair_of_two_walls_has_the_greater_doubt_of_both() -> None:
    parts = [
        Doubts(np.array([PERHAPS_MUSIC]), np.array([3.0]), np.array([18.0])),
        Doubts(np.array([APART, NO_DOUBT]), np.array([5.0, 7.0]), np.array([21.0, 15.0])),
    ]
    whole = Doubts.joined(parts, np.array([1, 1, 0]), 3)
    assert whole.grades.tolist() == [NO_DOUBT, APART, NO_DOUBT]
    assert whole.nats.tolist() == [7.0, 3.0, np.inf]
    assert whole.sizes_db.tolist() == [15.0, 21.0, -np.inf]
    nothing = np.empty(0, np.int64)
    assert Doubts.joined([], nothing, 0).left(nothing, Undone.joined([]), RATE_HZ).tolist() == []
