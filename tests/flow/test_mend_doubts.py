"""What is left in doubt: what may be music in the company of more that may be, against every pair looked at."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.flow.mend_doubts import (
    APART,
    COMPANY,
    COMPANY_S,
    MOST_NATS,
    NATS_BESIDE,
    NO_DOUBT,
    PERHAPS_MUSIC,
    Doubts,
)

RATE_HZ = 1_000


def left(*repairs: tuple[float, int, float]) -> list[bool]:
    """Of repairs (second, grade, nats), in order of time."""
    starts_s, grades, nats = zip(*repairs, strict=True)
    frames = np.round(np.array(starts_s) * RATE_HZ).astype(np.int64)
    return Doubts(np.array(grades), np.array(nats)).left(frames, RATE_HZ).tolist()


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


def test_every_repair_by_itself_gives_the_same() -> None:
    rng = np.random.default_rng(5)
    for count in (0, 1, 40, 200):
        starts = np.sort(rng.integers(0, 120 * RATE_HZ, count))
        doubts = Doubts(
            rng.choice([NO_DOUBT, PERHAPS_MUSIC, APART], count, p=[0.8, 0.17, 0.03]),
            rng.uniform(0, 12, count),
        )
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
            wanted.append(bool(in_company or doubts.grades[at] == APART))
        assert doubts.left(starts, RATE_HZ).tolist() == wanted


def test_a_repair_of_two_walls_has_the_greater_doubt_of_both() -> None:
    parts = [
        Doubts(np.array([PERHAPS_MUSIC]), np.array([3.0])),
        Doubts(np.array([APART, NO_DOUBT]), np.array([5.0, 7.0])),
    ]
    whole = Doubts.joined(parts, np.array([1, 1, 0]), 3)
    assert whole.grades.tolist() == [NO_DOUBT, APART, NO_DOUBT]
    assert whole.nats.tolist() == [7.0, 3.0, np.inf]
    assert Doubts.joined([], np.empty(0, np.int64), 0).left(np.empty(0, np.int64), RATE_HZ).tolist() == []
