"""What is believed only among others: what moves both walls as music does where the sound is smooth, and what lies where the
sound before and that behind do not quite agree."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.continuity import misfit
from sidekeep.dsp.impulses.damage_spans import changed_energy
from sidekeep.dsp.impulses.lone import (
    ALONE,
    APART,
    APART_DB,
    APART_ROWS,
    IN_DOUBT,
    IN_DOUBT_APART,
    LATERAL_DB,
    LATERAL_NATS,
    LEAST_SHARE,
    LEAST_SIDE,
    NOT_DOUBTED,
    SMOOTH,
    doubt_alone,
)

Floats = NDArray[np.float64]
LEAST = 1.0


def doubted(
    planes: Floats, work: Floats, rows: NDArray[np.int64], usual: Floats, odds: Floats
) -> NDArray[np.bool_]:
    return np.asarray(graded(planes, work, rows, usual, odds) == ALONE)


def graded(planes: Floats, work: Floats, rows: NDArray[np.int64], usual: Floats, odds: Floats) -> Floats:
    grades = np.full(len(rows), np.nan)
    energy = changed_energy(planes, work, rows)
    doubt_alone(planes, work, rows, *energy, usual, odds, LEAST, 1, grades)
    return grades


@pytest.mark.parametrize(
    ("walls", "size", "usual", "odds", "is_doubted"),
    [
        ((1.0, 0.6), 0.3, 3e-4, 5.0, True),
        ((0.3, 1.0), 0.3, 3e-4, 5.0, True),
        ((1.0, 0.6), 0.3, 3e-4, 8.0, False),
        ((1.0, 0.6), 0.3, 3e-3, 5.0, False),
        ((1.0, 0.6), 9.0, 3e-4, 5.0, False),
        ((1.0, -0.6), 0.3, 3e-4, 5.0, False),
        ((1.0, 0.05), 0.3, 3e-4, 5.0, False),
        ((0.0, 1.0), 0.3, 3e-4, 5.0, False),
    ],
)
def test_what_is_in_phase_where_the_sound_is_smooth_must_be_sure(
    walls: tuple[float, float], size: float, usual: float, odds: float, is_doubted: bool
) -> None:
    """``size``: of the pulse on the stronger wall over the sound."""
    rng = np.random.default_rng(1)
    work = 0.01 * rng.standard_normal((2, 3_000))
    planes, rows = work.copy(), np.array([(1_000, 1_020, 1_010)], dtype=np.int64)
    planes[:, 1_000:1_020] += 0.01 * size * np.outer(walls, np.hanning(22)[1:-1])
    assert doubted(planes, work, rows, np.full((2, 1), usual), np.array([odds])).tolist() == [is_doubted]


def test_of_one_sound_on_both_walls_damage_is_in_phase_as_well() -> None:
    work = np.repeat(0.01 * np.random.default_rng(1).standard_normal((1, 3_000)), 2, axis=0)
    planes, rows = work.copy(), np.array([(1_000, 1_020, 1_010)], dtype=np.int64)
    planes[:, 1_000:1_020] += 0.003
    assert not doubted(planes, work, rows, np.full((2, 1), 3e-4), np.array([2.0])).any()


@pytest.mark.parametrize(
    ("walls", "size", "odds", "others", "apart", "is_doubted"),
    [
        ((0.0, 1.0), 0.3, 5.0, 0, True, True),
        ((1.0, -0.6), 0.3, 5.0, APART_ROWS - 1, True, True),
        ((1.0, -0.6), 0.3, 5.0, 0, False, False),
        ((1.0, -0.6), 0.3, 8.0, 0, True, False),
        ((1.0, -0.6), 9.0, 5.0, 0, True, False),
        ((1.0, -0.6), 0.3, 5.0, APART_ROWS, True, False),
        ((1.0, 0.6), 0.3, 15.0, 0, True, True),
        ((1.0, 0.6), 0.3, 15.0, 0, False, False),
        ((1.0, 0.6), 9.0, 15.0, 0, True, False),
    ],
)
def test_what_lies_where_the_sound_changes_must_be_sure(
    walls: tuple[float, float], size: float, odds: float, others: int, apart: bool, is_doubted: bool
) -> None:
    """Rough sound, that none be smooth; ``apart``: at the place a little of another sound begins; ``others``: sure ones."""
    rng = np.random.default_rng(1)
    work = 0.01 * rng.standard_normal((2, 40_000))
    firsts = np.arange(2_000, 2_000 + 2_500 * (others + 1), 2_500)
    rows = np.stack([firsts, firsts + 20, firsts + 10], axis=1)
    step = 0.05 * np.sin(0.9 * np.arange(2_000))
    if apart:
        work[:, 2_010:4_010] += step
    planes = work.copy()
    for first in firsts.tolist():
        planes[:, first : first + 20] += 0.03 * size * np.outer(walls, np.hanning(22)[1:-1])
    sure = np.array([odds] + [20.0] * others)
    assert doubted(planes, work, rows, np.full((2, len(rows)), 3e-3), sure)[0] == is_doubted


@pytest.mark.parametrize("channels", [1, 2])
def test_the_kernel_is_its_plain_twin(channels: int) -> None:
    rng = np.random.default_rng(3)
    work = 0.01 * rng.standard_normal((channels, 60_000))
    firsts = np.arange(200) * 290 + 100
    rows = np.stack([firsts, firsts + rng.integers(8, 120, 200), firsts + 4], axis=1)
    for first, last, _ in rows[::2].tolist():
        middle = (first + last) // 2
        work[:, middle : middle + 140] += rng.uniform(0.0, 0.03) * np.sin(0.9 * np.arange(140))
    planes = work.copy()
    for first, last, _ in rows.tolist():
        walls = rng.choice([0.0, 0.3, 1.0, 1.0, -1.0], channels) * rng.uniform(0.8, 1.0, channels)
        planes[:, first:last] += 0.01 * 10.0 ** rng.uniform(-2.0, 0.6) * walls[:, np.newaxis]
    usual, odds = 10.0 ** rng.uniform(-4.0, -2.5, (channels, 200)), rng.uniform(0.0, 9.0, 200)
    for few in (False, True):
        expected = doubted_plainly(planes, work, rows, usual, odds, few)
        parts = np.array_split(np.arange(200), 25) if few else [np.arange(200)]
        answers = [graded(planes, work, rows[part], usual[:, part], odds[part]) for part in parts]
        assert (5 < expected.count(ALONE) < 150) == (channels == 2)
        assert (expected.count(IN_DOUBT) > 2) == (few and channels == 2)
        assert np.concatenate(answers).tolist() == expected


def doubted_plainly(
    planes: Floats, work: Floats, rows: NDArray[np.int64], usual: Floats, odds: Floats, few: bool
) -> list[float]:
    """The same row by row, ``few`` of them in a stretch or not."""
    expected = []
    side = np.square(planes[0] - planes[-1]).sum()
    if len(planes) != 2 or side <= LEAST_SIDE * np.square(planes.sum(axis=0)).sum():
        return [NOT_DOUBTED] * len(rows)
    for row, (first, last, _) in enumerate(rows.tolist()):
        out, left = planes[:, first:last] - work[:, first:last], work[:, first:last]
        energy = np.square(out).sum(axis=1)
        db = 10.0 * np.log10((energy.sum() + 1e-300) / np.square(left).sum())
        wall = int(energy.argmax())
        both = energy.min() >= LEAST_SHARE * energy.max() and (out[0] * out[1]).sum() > 0.0
        is_lateral, is_unsure = both and db < LATERAL_DB, odds[row] < LEAST + LATERAL_NATS
        apart = misfit(work[wall], first, last, 1, IN_DOUBT_APART) if few else 0.0
        is_alone = is_lateral and is_unsure and usual[wall, row] < SMOOTH
        is_alone |= apart > APART and (is_lateral or (is_unsure and db < APART_DB))
        is_in_doubt = is_lateral and apart > IN_DOUBT_APART
        expected.append(ALONE if is_alone else IN_DOUBT if is_in_doubt else NOT_DOUBTED)
    return expected
