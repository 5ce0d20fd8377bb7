"""The mending scorer on cases whose answer is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sidekeep.errors import ParameterError
from sidekeep.model.repair import Repair
from sidekeep.press.disc.truth import CRACKLE, EVENT_DTYPE, POP, THUMP, TICK, Truth
from sidekeep.press.scoring.mending import (
    MendScore,
    damage_mask,
    merge_events,
    score_mending,
    share_mended_where_possible,
)

RATE, LENGTH = 10_000, 50_000
EVENTS = (
    # start, stop, channel, kind, size_db
    (10_000, 10_010, 0, TICK, 30.0),
    (12_000, 12_010, 1, TICK, 8.0),
    (14_000, 14_010, 1, TICK, 2.0),
    (16_000, 16_050, -1, POP, 25.0),
    (20_000, 20_005, 0, CRACKLE, 14.0),
    (22_000, 23_000, -1, THUMP, 20.0),
)


def truth_of(rows: tuple[tuple[int, int, int, int, float], ...] = EVENTS) -> Truth:
    events = np.zeros(len(rows), EVENT_DTYPE)
    for column, name in enumerate(("start_frame", "stop_frame", "channel", "kind", "size_db")):
        events[name] = [row[column] for row in rows]
    return Truth(
        rate_hz=RATE,
        length_frames=LENGTH,
        needle_down_frame=1000,
        needle_up_frame=49_000,
        music_start_frame=8000,
        music_stop_frame=48_000,
        turn_period_s=1.8,
        locked_groove_period_s=1.8,
        tracks=(),
        events=events,
        warp_frames=np.empty(0),
        warp_positions=np.empty(0),
    )


def side(truth: Truth) -> tuple[np.ndarray, np.ndarray]:
    """Take and twin: noise as music, 0.1 added inside every event."""
    twin = 0.05 * np.random.default_rng(1).standard_normal((LENGTH, 2))
    take = twin.copy()
    take[damage_mask(truth)] += 0.1
    return take, twin


@pytest.fixture
def truth() -> Truth:
    return truth_of()


def test_perfect_mending_reads_the_limit_and_nothing_worse(truth: Truth) -> None:
    take, twin = side(truth)
    score = score_mending(take, twin, twin, truth)
    for row in score.kinds.values():
        assert row.median_fall_db == 60.0
        assert row.share_worse == 0.0
        assert row.share_strong_mended == 1.0
        assert row.share_touched == 1.0
    assert score.side_fall_db > 100.0
    assert score.outside_change_db == -200.0


def test_no_mending_reads_nothing(truth: Truth) -> None:
    take, twin = side(truth)
    score = score_mending(take, twin, take, truth, repairs=[])
    for row in score.kinds.values():
        assert row.median_fall_db == 0.0
        assert row.share_worse == row.share_touched == row.share_strong_mended == 0.0
    assert score.side_fall_db == 0.0
    assert score.repairs_per_min == score.false_repairs_per_min == 0.0


def test_half_the_error_left_is_six_db_everywhere(truth: Truth) -> None:
    take, twin = side(truth)
    score = score_mending(take, twin, 0.5 * (take + twin), truth)
    six = 20 * math.log10(2.0)
    for row in score.kinds.values():
        assert row.median_fall_db == pytest.approx(six)
        assert row.share_strong_mended == 1.0
    assert score.side_fall_db == pytest.approx(six)


def test_made_worse_is_counted_over_audible_events(truth: Truth) -> None:
    take, twin = side(truth)
    mended = twin.copy()
    mended[12_000:12_010, 1] = twin[12_000:12_010, 1] + 0.2
    tick = score_mending(take, twin, mended, truth).kinds["tick"]
    # three ticks, two of them audible, one of those doubled
    assert (tick.events, tick.audible, tick.strong) == (3, 2, 1)
    assert tick.share_worse == 0.5
    assert tick.median_fall_db == pytest.approx((60.0 - 20 * math.log10(2.0)) / 2.0)


def test_a_rise_of_less_than_half_a_db_is_not_worse(truth: Truth) -> None:
    take, twin = side(truth)
    mended = take.copy()
    mended[10_000:10_010, 0] = twin[10_000:10_010, 0] + 0.1 * 10 ** (0.4 / 20.0)
    assert score_mending(take, twin, mended, truth).kinds["tick"].share_worse == 0.0
    mended[10_000:10_010, 0] = twin[10_000:10_010, 0] + 0.1 * 10 ** (0.6 / 20.0)
    assert score_mending(take, twin, mended, truth).kinds["tick"].share_worse == 0.5


def test_change_outside_damage_is_measured_re_the_music(truth: Truth) -> None:
    take, twin = side(truth)
    mended = take.copy()
    mended[30_000, 0] += 1.0
    score = score_mending(take, twin, mended, truth)
    music = np.sum(np.square(twin[6000:47_000]))
    assert score.outside_change_db == pytest.approx(10 * math.log10(1.0 / music), abs=1e-6)
    # inside an event, and before the needle is down, it is something else
    mended = take.copy()
    mended[10_005, 0] += 1.0
    mended[500] += 1.0
    # also where a pulse crosses nothing on its way
    take[10_007, 0] = twin[10_007, 0]
    mended[10_007, 0] = twin[10_007, 0] + 1.0
    assert score_mending(take, twin, mended, truth).outside_change_db == -200.0


def test_the_other_channel_of_a_one_wall_event_is_outside(truth: Truth) -> None:
    take, twin = side(truth)
    mended = take.copy()
    mended[10_005, 1] += 1.0
    score = score_mending(take, twin, mended, truth)
    assert score.outside_change_db > -40.0
    assert score.kinds["tick"].share_touched == 0.0


def test_size_rows_split_a_kind(truth: Truth) -> None:
    take, twin = side(truth)
    score = score_mending(take, twin, twin, truth)
    ticks = [row for row in score.sizes if row.kind == "tick"]
    assert [row.events for row in ticks] == [1, 1, 0, 0, 1]
    assert sum(row.events for row in score.sizes) == score.all.events == 6
    assert [row.kind for row in score.kinds.values()] == ["tick", "pop", "crackle", "thump"]


def test_overlapping_events_of_one_channel_are_judged_as_one() -> None:
    rows = (
        (10_000, 10_010, 0, TICK, 10.0),
        (10_005, 10_020, 0, CRACKLE, 20.0),
        (10_015, 10_030, 0, TICK, 15.0),
        (10_005, 10_020, 1, TICK, 9.0),
        (10_030, 10_040, 0, TICK, 7.0),
        (20_000, 21_000, -1, THUMP, 12.0),
        (20_500, 20_510, 1, TICK, 40.0),
        (20_700, 20_710, 0, CRACKLE, 13.0),
    )
    spans = merge_events(truth_of(rows).events, 0, LENGTH)
    found = sorted(
        zip(
            spans.start.tolist(),
            spans.stop.tolist(),
            spans.channels.tolist(),
            spans.kind.tolist(),
            spans.size_db.tolist(),
            strict=True,
        )
    )
    assert found == [
        (10_000, 10_030, [True, False], CRACKLE, 20.0),
        (10_005, 10_020, [False, True], TICK, 9.0),
        (10_030, 10_040, [True, False], TICK, 7.0),
        (20_000, 21_000, [True, True], THUMP, 40.0),
    ]


def test_a_long_event_holds_later_ones_beyond_a_short_one_between() -> None:
    rows = ((1000, 5000, 0, THUMP, 9.0), (1100, 1110, 0, TICK, 9.0), (4000, 6000, 0, POP, 9.0))
    spans = merge_events(truth_of(rows).events, 0, LENGTH)
    assert (spans.start.tolist(), spans.stop.tolist()) == ([1000], [6000])


def test_events_at_the_needle_are_left_out() -> None:
    rows = ((1000, 1010, 0, TICK, 20.0), (5990, 6010, 0, TICK, 20.0), (6010, 6020, 0, TICK, 20.0))
    truth = truth_of((*rows, (48_990, 49_000, 0, TICK, 20.0)))
    take, twin = side(truth)
    assert score_mending(take, twin, twin, truth).all.events == 1


def test_false_repairs_are_those_near_no_damage_on_their_channel(truth: Truth) -> None:
    take, twin = side(truth)
    repairs = [
        Repair(start_frame=10_001, stop_frame=10_009, channel="L", kind="tick", size_db=20.0),
        Repair(start_frame=10_001, stop_frame=10_009, channel="R", kind="tick", size_db=20.0),
        Repair(start_frame=10_001, stop_frame=10_009, channel="both", kind="tick", size_db=20.0),
        Repair(start_frame=10_015, stop_frame=10_018, channel="L", kind="tick", size_db=20.0),
        Repair(start_frame=30_000, stop_frame=30_010, channel="both", kind="tick", size_db=20.0),
        {"start_frame": 31_000, "stop_frame": 31_010, "channel": "L"},
        {"start_frame": 500, "stop_frame": 510, "channel": "L"},
    ]
    score = score_mending(take, twin, take, truth, repairs)
    # within 1 ms (10 frames) of damage is near; before the needle does not count
    assert score.false_repairs_per_min == pytest.approx(3 / score.minutes)
    assert score.repairs_per_min == pytest.approx(7 / score.minutes)


def test_the_table_names_every_kind_and_the_side(truth: Truth) -> None:
    take, twin = side(truth)
    score = score_mending(take, twin, 0.5 * (take + twin), truth, repairs=[])
    assert isinstance(score, MendScore)
    text = score.table()
    for word in (
        "tick",
        "pop",
        "crackle",
        "thump",
        "all",
        "loud",
        "side better by 6.0 dB",
        "0.00 of them false",
    ):
        assert word in text
    assert len(score.table(by_size=False).splitlines()) == 9
    assert max(len(line) for line in text.splitlines()) < 110


def test_a_side_without_events_scores_without_an_error() -> None:
    truth = truth_of(())
    silence = np.zeros((LENGTH, 2))
    score = score_mending(silence, silence, silence, truth, repairs=[])
    assert score.all.events == 0
    assert score.side_fall_db == 0.0
    assert score.outside_change_db == -200.0


def test_unlike_shapes_are_an_error(truth: Truth) -> None:
    with pytest.raises(ParameterError, match="must be"):
        score_mending(np.zeros((LENGTH, 2)), np.zeros((LENGTH, 2)), np.zeros((LENGTH - 1, 2)), truth)


def test_the_share_where_it_is_possible_leaves_out_what_the_best_cannot(truth: Truth) -> None:
    take, twin = side(truth)
    best, mended = twin.copy(), twin.copy()
    best[20_000:20_005] = take[20_000:20_005]
    mended[16_000:16_050] = take[16_000:16_050]
    # strong and no thump: the tick of 30 dB, the pop, the crackle; the best leaves the crackle, ours the pop
    assert share_mended_where_possible(take, twin, mended, [best], truth) == (0.5, 2)
    assert math.isnan(share_mended_where_possible(take, twin, mended, [best, take], truth)[0])
