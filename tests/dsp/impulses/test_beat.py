"""The beat of the music: told from chance, from what comes back once per turn, and within one kind of repair."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.impulses.beat import (
    CELL_S,
    GRIDS_A_STROKE,
    LEAST_PAIRS,
    LEAST_SHARE,
    LONGEST_S,
    NEAR_S,
    OVER_CHANCE,
    PARTS,
    REMEMBERED,
    SHORTEST_S,
    TRIED,
    BeatWatch,
    doubtful_beside,
    find_grid,
    follow_lines,
    fullest,
    on_lines,
    on_swaying_lines,
    try_grids,
)


def ask(
    times_s: np.ndarray, lengths_s: np.ndarray | float = 0.001, watch: BeatWatch | None = None
) -> np.ndarray:
    """Which repairs keep a beat, all on the left wall and of sizes drawn at random."""
    count = len(times_s)
    sizes = np.random.default_rng(1).uniform(5.0, 30.0, count)
    lengths_s = np.broadcast_to(lengths_s, count)
    return (watch or BeatWatch()).on_the_beat(times_s, lengths_s, np.zeros(count, dtype=np.int64), sizes)


def grid_of(times_s: np.ndarray) -> tuple[float, float] | None:
    times_s = np.sort(times_s)
    return find_grid(times_s, np.random.default_rng(1).uniform(5.0, 30.0, len(times_s)))


@pytest.mark.parametrize("period_s", [0.1071, 0.2143, 0.4286, 0.5])
def test_a_beat_is_found_among_damage(period_s: float) -> None:
    rng = np.random.default_rng(3)
    lines = np.arange(int(18.0 / period_s))
    struck = lines[rng.random(len(lines)) < 0.7]
    on = 5.0 + period_s * struck + 0.0005 * rng.standard_normal(len(struck))
    off = rng.uniform(5.0, 23.0, len(on) // 2)
    times_s = np.concatenate([on, off])
    order = np.argsort(times_s)
    kept = ask(times_s[order])[np.argsort(order)]
    assert kept[: len(on)].all()
    assert kept[len(on) :].sum() <= 2 + len(off) * 4 * 0.0018 / period_s


def test_forty_long_pulses_are_heard_among_a_thousand_short_repairs_and_those_are_let_be() -> None:
    rng = np.random.default_rng(4)
    on = 2.0 + 0.214 * np.arange(60) + 0.0003 * rng.standard_normal(60)
    on = on[rng.random(60) < 0.65]
    dust = rng.uniform(2.0, 15.0, 1000)
    times_s, is_long = np.concatenate([on, dust]), np.arange(len(on) + 1000) < len(on)
    order = np.argsort(times_s)
    assert grid_of(times_s) is None  # all together they hide it
    lengths_s, sizes = np.where(is_long, 0.001, 0.0002)[order], np.where(is_long, 10.0, 1.0)[order]
    kept = BeatWatch().on_the_beat(times_s[order], lengths_s, np.zeros(len(order), dtype=np.int64), sizes)
    assert kept[is_long[order]].all()
    assert not kept[~is_long[order]].any()


def test_a_period_found_once_is_tried_where_it_stands_out_less_and_forgotten() -> None:
    rng = np.random.default_rng(5)
    watch = BeatWatch()
    assert ask(0.25 * np.arange(60), watch=watch).all()
    few = np.sort(
        np.concatenate(
            [100.0 + 0.25 * np.array([0, 7, 17, 26, 34, 43, 50, 63, 74]), rng.uniform(100.0, 120.0, 21)]
        )
    )
    assert not ask(few).any()
    for stretch in range(REMEMBERED + 2):
        kept = ask(few, watch=watch)
        assert kept.any() == (stretch < REMEMBERED - 1)
        if kept.any():
            assert 9 <= kept.sum() < 12
            assert kept[on_lines(few, (0.25, 100.0))].all()


def test_what_is_as_large_as_the_others_on_a_line_is_undone_if_it_is_shorter_and_dust_there_is_not() -> None:
    times_s = 0.25 * np.arange(60)
    short = np.isin(np.arange(60), (7, 31))
    lengths_s, sizes = np.where(short, 0.0003, 0.001), np.full(60, 10.0)
    sizes[31] = 0.1
    largest = np.concatenate(
        [times_s, 0.03 + 0.1371 * np.arange(85)]
    )  # so that neither is among the largest of the wall
    order = np.argsort(largest, kind="stable")
    walls = np.zeros(len(largest), dtype=np.int64)
    both = np.concatenate([lengths_s, np.full(85, 0.0002)]), np.concatenate([sizes, np.full(85, 20.0)])
    kept = BeatWatch().on_the_beat(largest[order], both[0][order], walls, both[1][order])[np.argsort(order)]
    assert kept[7]
    assert not kept[31]


def test_either_wall_has_a_line_of_its_own() -> None:
    times_s = np.sort(np.concatenate([0.25 * np.arange(60), 0.25 * np.arange(0, 60, 8) + 0.1]))
    walls = (~on_lines(times_s, (0.25, 0.0))).astype(np.int64)
    assert 0 < walls.sum() < 10  # too few for a search
    assert BeatWatch().on_the_beat(times_s, np.full(len(times_s), 0.001), walls, np.ones(len(times_s))).all()


def test_chance_keeps_no_beat() -> None:
    rng = np.random.default_rng(5)
    for count in (12, 30, 80, 160, 400):
        for _ in range(30):
            assert not ask(np.sort(rng.uniform(0.0, 20.0, count))).any()


@pytest.mark.parametrize("turn_s", [1.8, 60.0 / 45.0, 60.0 / 78.26, 60.0 / 80.0])
def test_scratches_that_return_once_per_turn_are_no_beat(turn_s: float) -> None:
    rng = np.random.default_rng(6)
    for count in (1, 2, 3, 4):
        for _ in range(20):
            phases = rng.uniform(0.0, turn_s, count)
            times = (phases[:, np.newaxis] + turn_s * np.arange(int(20.0 / turn_s))).ravel()
            times = times + 0.0003 * rng.standard_normal(len(times))
            assert not ask(np.sort(np.concatenate([times, rng.uniform(0.0, 20.0, 10)]))).any()


def test_none_and_a_few_repairs_keep_no_beat() -> None:
    for count in (0, 1, 3, 9):
        assert not ask(0.25 * np.arange(count)).any()


def test_beside_a_beat_that_outweighs_what_is_quiet_repairs_are_doubtful_but_for_the_small_ones() -> None:
    on_beat = np.array([True, False, False, False, False, False])
    lengths_s = np.array([0.001, 0.001, 0.001, 0.0002, 0.001, 0.0003])
    energy = np.array([9.0, 1.0, 0.2, 1.0, 0.06, 0.2])
    left = np.array([90.0, 10.0, 2.0, 10.0, 0.6, 0.01])
    # the short ones take out 1.2, of which a quarter is allowed: 0.06 and 0.2 of the long ones, and no more. What is off the beat
    # takes out 1.46 then, and one of the short ones takes out more than a quarter of what the others do
    wanted = [False, True, False, True, False, False]
    assert doubtful_beside(on_beat, lengths_s, energy, left).tolist() == wanted
    left[5] = 10.0
    assert doubtful_beside(on_beat, lengths_s, energy, left).tolist() == [*wanted[:5], True]
    energy[[0, 3, 5]] = 20.0, 0.09, 0.09
    dust = np.r_[energy, np.full(80, 0.1)], np.r_[left, np.full(80, 10.0)]
    kept = doubtful_beside(np.r_[on_beat, [False] * 80], np.r_[lengths_s, np.full(80, 0.0002)], *dust)
    assert not kept.any()
    assert doubtful_beside(on_beat, lengths_s, energy, energy / 10.0**-0.25).any(), "-2.5 dB is quiet"
    loud = np.where(lengths_s >= 0.0, 1.5 * energy, left)
    assert not doubtful_beside(on_beat, lengths_s, energy, loud).any()
    energy[0] = 1.0  # less than the quiet ones together
    assert not doubtful_beside(on_beat, lengths_s, energy, left).any()
    assert not doubtful_beside(np.zeros(6, dtype=bool), lengths_s, energy, left).any()


def test_the_fullest_window_is_that_of_the_plain_search() -> None:
    rng = np.random.default_rng(8)
    for count in (1, 2, 7, 60):
        sorted_s = np.sort(rng.uniform(0.0, 0.004 * count, count))
        begins = max(1, count // 2)
        held = [sorted_s[(sorted_s >= at) & (sorted_s <= at + 2.0 * NEAR_S)] for at in sorted_s[:begins]]
        most = max(held, key=len)
        median_s, number = fullest(sorted_s, begins)
        assert number == len(most)
        assert median_s == pytest.approx(np.median(most), rel=1e-12)


def test_lines_are_followed_as_by_plain_least_squares() -> None:
    rng = np.random.default_rng(9)
    for period_s, line_s, off_s in ((0.25, 3.02, 2e-5), (0.11, 1.0, -1e-5), (0.6, 2.3, 4e-5)):
        on = np.arange(line_s, line_s + 30.0, period_s)
        on = on[rng.random(len(on)) < 0.7]
        on += 0.0004 * rng.standard_normal(len(on))
        strokes_s = np.sort(np.concatenate([on, rng.uniform(on[0], on[-1], 20)]))
        middle_s = strokes_s[len(strokes_s) // 2]
        first_s = line_s + period_s * round((middle_s - line_s) / period_s)
        found = follow_lines(strokes_s, middle_s, period_s + off_s, first_s)
        period, line = period_s + off_s, first_s
        for reach_s in (20.0 * (period_s + off_s), 60.0 * (period_s + off_s), np.inf):
            near = on_lines(strokes_s, (period, line)) & (np.abs(strokes_s - middle_s) < reach_s)
            numbers = np.round((strokes_s[near] - line) / period)
            period, line = np.polyfit(numbers, strokes_s[near], 1)
        assert found == pytest.approx((period, line), abs=1e-9)
        assert found[0] == pytest.approx(period_s, abs=1e-4)


def test_a_stroke_is_looked_for_where_those_near_it_lie_when_the_disc_sways() -> None:
    """Strokes come up to 1.6 ms late, one of them 0.6 ms later still; the same lateness alone is no stroke."""
    grid = (0.25, 0.0)
    lines_s = 0.25 * np.arange(1.0, 80.0)
    strokes_s = lines_s + 0.0016 * np.sin(2.0 * np.pi * lines_s / 40.0)
    strokes_s[39] += 0.0006
    assert not on_lines(strokes_s, grid)[39]
    assert on_swaying_lines(strokes_s, strokes_s, grid).all()
    assert not on_swaying_lines(strokes_s[39:40], strokes_s[[10, 20, 39, 79 - 10]], grid).any(), (
        "too far away"
    )
    early_s = strokes_s[39:40] - 0.0022 - 0.0021
    assert not on_swaying_lines(early_s, strokes_s, grid).any(), "off the line, and off the strokes"
    plain = [
        abs(off) <= NEAR_S or abs(off - np.mean(near)) <= NEAR_S
        for off, near in (
            (
                at - 0.25 * np.round(at / 0.25),
                [s - 0.25 * np.round(s / 0.25) for s in strokes_s if abs(s - at) < 3.0 and on_lines(s, grid)],
            )
            for at in np.linspace(5.0, 15.0, 3001)
        )
    ]
    assert on_swaying_lines(np.linspace(5.0, 15.0, 3001), strokes_s, grid).tolist() == plain
    strokes_s[39] += 0.0008
    assert ask(strokes_s).all()


def test_two_strokes_tell_no_grid_and_leave_the_guess() -> None:
    assert follow_lines(np.array([1.0, 1.5]), 1.5, 0.5, 1.5) == (0.5, 1.5)


def plain_periods(strokes_s: np.ndarray) -> list[float]:
    """The commonest distances and their parts, from the table of all distances."""
    apart = np.subtract.outer(strokes_s, strokes_s)
    apart = np.sort(apart[(apart > 0.0) & (apart < LONGEST_S)])
    cells = np.bincount((apart / CELL_S).astype(np.int64), minlength=int(LONGEST_S / CELL_S) + 2)
    pairs = cells[:-1] + cells[1:]
    least = max(LEAST_PAIRS, pairs.mean() + OVER_CHANCE * np.sqrt(pairs.mean()))
    found: list[float] = []
    for cell in [cell for cell in np.argsort(-pairs, kind="stable") if pairs[cell] >= least][:TRIED]:
        distance = float(np.median(apart[(apart >= cell * CELL_S) & (apart < (cell + 2) * CELL_S)]))
        for parts in range(1, PARTS + 1):
            period = distance / parts
            if period >= SHORTEST_S and min([abs(period - other) for other in found], default=1.0) > 0.0002:
                found.append(period)
    return found


@pytest.mark.parametrize("seed", range(4))
def test_grids_are_tried_as_by_the_plain_search(seed: int) -> None:
    rng = np.random.default_rng(seed)
    on = 3.0 + 0.3 * np.arange(60)[rng.random(60) < 0.7]
    strokes_s = np.sort(np.concatenate([on, rng.uniform(3.0, 21.0, 70)]))
    strokes_s = strokes_s[np.diff(strokes_s, prepend=0.0) > 0.01]
    grids = np.empty((TRIED * PARTS, 3))
    grids = grids[: try_grids(strokes_s, grids)]
    guesses, middle_s = plain_periods(strokes_s), strokes_s[len(strokes_s) // 2]
    assert len(grids) == len(guesses) > 3
    for (period_s, line_s, worth), guess_s in zip(grids.tolist(), guesses, strict=True):
        near_s = strokes_s[np.abs(strokes_s - middle_s) < 20.0 * guess_s] - middle_s
        phases = np.sort(np.mod(near_s, guess_s))
        first_s = middle_s + fullest(np.concatenate([phases, phases + guess_s]), len(phases))[0]
        assert (period_s, line_s) == pytest.approx(
            follow_lines(strokes_s, middle_s, guess_s, first_s), rel=1e-12
        )
        share, chance = on_lines(strokes_s, (period_s, line_s)).mean(), min(0.9, 2.0 * NEAR_S / period_s)
        nats = share * np.log(share / chance) + (1.0 - share) * np.log((1.0 - share) / (1.0 - chance))
        expected = len(strokes_s) * (nats if share > chance else 0.0) - np.log(
            len(strokes_s) * GRIDS_A_STROKE
        )
        if (share - chance) / (1.0 - chance) < LEAST_SHARE:
            assert worth == -np.inf
        else:
            assert worth == pytest.approx(expected, rel=1e-9)
    assert grids[:, 2].max() > 0.0
