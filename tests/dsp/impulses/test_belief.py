"""What a candidate is believed, all considered, and the room round a span, against plain twins."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.impulses.belief import weigh_candidates
from sidekeep.dsp.impulses.channel import NOTHING_DUE
from sidekeep.dsp.impulses.damage_spans import overlap
from sidekeep.dsp.impulses.peers import (
    DOUBT_REACH_S,
    DOUBT_WEIGHT,
    REACH_S,
    lower_among_peers,
    lower_in_crowds,
)
from sidekeep.dsp.impulses.priors import (
    BESIDE,
    BESIDE_AFTER_S,
    BESIDE_BEFORE_S,
    BESIDE_SIZE,
    add_beside,
)
from sidekeep.dsp.impulses.span_rooms import (
    AFTER,
    AFTER_OCTAVE,
    BEFORE,
    BEFORE_OCTAVE,
    MARGIN,
    MARGIN_SHARE,
    PLAIN_SIZE,
    add_margins,
    find_rooms,
    octaves_over,
)

RATE_HZ = 44_100.0


def test_what_lies_close_behind_a_large_repair_may_be_the_rest_of_it() -> None:
    rng = np.random.default_rng(1)
    first = 400 * np.arange(20)
    rows, sizes = np.stack([first, first + 60, first], axis=1), rng.uniform(4.0, 16.0, 20)
    peaks = np.sort(rng.choice(8_000, 200, replace=False))
    spans = np.stack([peaks - 2, peaks + 3, peaks], axis=1)
    large = rows[sizes > BESIDE_SIZE]
    begin, end = (
        large[:, 0] - int(BESIDE_BEFORE_S * RATE_HZ),
        large[:, 1] + int(BESIDE_AFTER_S * RATE_HZ),
    )
    wanted = np.where(overlap(spans[:, 0], spans[:, 1], begin, end), BESIDE, 0.0)
    assert 30 < np.count_nonzero(wanted) < 170
    raised = np.zeros(200)
    add_beside(spans, rows, sizes, RATE_HZ, raised)
    assert raised.tolist() == wanted.tolist()


@pytest.mark.parametrize("wall", [0, 1])
def test_belief_is_the_sum_of_its_parts(wall: int) -> None:
    """In this order: what is due and what lies beside a repair first, then the crowd's doubt, then the peers."""
    rng = np.random.default_rng(2 + wall)
    peaks = np.sort(rng.choice(90_000, 300, replace=False))
    spans = np.stack([peaks - 4, peaks + 4, peaks], axis=1)
    tests, odds, doubts = rng.exponential(8.0, 300), rng.normal(1.0, 3.0, 300), rng.normal(0.0, 3.0, 300)
    doubts[::4] = np.inf
    mended, sizes = peaks[100:140:2] + 1, rng.uniform(4.0, 16.0, 20)
    rows = np.stack([mended - 3, mended + 3, mended], axis=1)
    due = np.array([[30_000.0, 500.0, -1.0, 2], [60_000.0, 500.0, -3.0, 3]])
    is_due = (np.abs(peaks - 30_000) <= 500) & (wall == 1), np.abs(peaks - 60_000) <= 500
    assert is_due[1].any()
    wanted = odds + 0.5 + DOUBT_WEIGHT * np.minimum(0.0, doubts - 0.25)
    wanted += np.select(list(is_due), [4.0, 2.0], 0.0)
    add_beside(spans, rows, sizes, RATE_HZ, wanted)
    alone = wanted.copy()
    lower_in_crowds(peaks, tests, wanted, doubts - 0.25, 1.0, int(DOUBT_REACH_S * RATE_HZ))
    crowds = wanted.copy()
    lower_among_peers(peaks, tests, wanted, 1.0, int(REACH_S * RATE_HZ), mended, sizes)
    assert (crowds < alone).any()
    assert (wanted < crowds).any()
    judged = spans, tests, odds, doubts, 0.5, -0.25
    found = weigh_candidates(*judged, due, wall, rows, sizes, mended, sizes, 1.0, RATE_HZ)
    np.testing.assert_allclose(found, wanted, atol=1e-12)
    none = rows[:0], sizes[:0], mended[:0], sizes[:0]
    plainly = weigh_candidates(*judged, NOTHING_DUE, wall, *none, 1e9, RATE_HZ)
    np.testing.assert_allclose(
        plainly, odds + 0.5 + DOUBT_WEIGHT * np.minimum(0.0, doubts - 0.25), atol=1e-12
    )


@pytest.mark.parametrize("rate_factor", [1, 2])
def test_rooms_and_margins_are_their_formulas(rate_factor: int) -> None:
    rng = np.random.default_rng(3)
    first = 300 + 500 * np.arange(40)
    length = rng.integers(2, 160, 40)
    rows, sizes = np.stack([first, first + length, first + 1], axis=1), rng.exponential(10.0, 40)
    octaves = np.log2(np.maximum(sizes, PLAIN_SIZE) / PLAIN_SIZE)
    np.testing.assert_allclose([octaves_over(size) for size in sizes], octaves, atol=1e-12)
    before = rate_factor * (BEFORE + BEFORE_OCTAVE * octaves)
    after = rate_factor * (AFTER + AFTER_OCTAVE * octaves) + octaves * length
    after = np.clip(after, 0.0, np.maximum(0.0, 176 - length - before))
    rooms = np.empty((40, 2), dtype=np.int64)
    find_rooms(rows, sizes, 176, rate_factor, rooms)
    assert rooms.tolist() == np.stack([before, after], axis=1).astype(np.int64).tolist()
    margin = (rate_factor * (MARGIN + octaves) + MARGIN_SHARE * length).astype(np.int64)
    begin = np.maximum(700, rows[:, 0] - rate_factor)
    end = np.minimum(np.minimum(20_000 - 700, rows[:, 1] + margin), begin + 176)
    wanted = np.stack([begin, end, rows[:, 2]], axis=1)[end > begin]
    wider, beside = rows.copy(), sizes.copy()
    count = add_margins(wider, beside, 176, rate_factor, 700, 20_000)
    assert wider[:count].tolist() == wanted.tolist()
    assert beside[:count].tolist() == sizes[end > begin].tolist()
    assert 0 < count < 40
