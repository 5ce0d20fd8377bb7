"""The track scorer on cases whose answer is known."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from sidekeep.press.disc.truth import EVENT_DTYPE, TrackTruth, Truth
from sidekeep.press.scoring.tracks import score_tracks

RATE = 1000


def track(
    number: int, start_s: float, heard_s: float, faded_s: float, stop_s: float, boundary: str
) -> TrackTruth:
    return TrackTruth(
        number=number,
        title=f"Track {number}",
        artist="",
        start_frame=int(start_s * RATE),
        stop_frame=int(stop_s * RATE),
        audible_start_frame=int(heard_s * RATE),
        audible_stop_frame=int(faded_s * RATE),
        boundary=boundary,
    )


@pytest.fixture
def truth() -> Truth:
    return Truth(
        rate_hz=RATE,
        length_frames=400 * RATE,
        needle_down_frame=0,
        needle_up_frame=400 * RATE,
        music_start_frame=5 * RATE,
        music_stop_frame=390 * RATE,
        turn_period_s=1.8,
        locked_groove_period_s=1.8,
        tracks=(
            track(1, 5.0, 5.0, 100.0, 102.0, "edge"),
            track(2, 105.0, 106.5, 200.0, 200.0, "gap"),
            track(3, 200.0, 200.0, 300.0, 300.0, "segue"),
            track(4, 303.0, 303.0, 388.0, 390.0, "gap"),
        ),
        events=np.empty(0, EVENT_DTYPE),
        warp_frames=np.empty(0),
        warp_positions=np.empty(0),
    )


def test_exact_starts_are_all_right(truth: Truth) -> None:
    score = score_tracks([5.0, 105.0, 200.0, 303.0], truth, found_stops_s=[102.0, 200.0, 300.0, 390.0])
    assert score.precision == {0.5: 1.0, 3.0: 1.0}
    assert score.recall == score.recall_gap == score.recall_segue == {0.5: 1.0, 3.0: 1.0}
    assert score.start_errors_s == score.stop_errors_s == (0.0,) * 4
    assert score.share_early == score.share_late == 0.0
    assert score.missed == ()


def test_anywhere_between_cut_and_heard_is_right(truth: Truth) -> None:
    score = score_tracks([5.0, 106.0, 200.0, 303.0], truth, found_stops_s=[101.0, 200.0, 300.0, 389.0])
    assert score.recall[0.5] == 1.0
    assert score.median_error_s == 0.0
    assert score.stop_errors_s == (0.0,) * 4


def test_tolerances_are_kept_apart_and_boundaries_too(truth: Truth) -> None:
    score = score_tracks([5.0, 104.2, 202.0, 303.4], truth)
    assert score.recall == {0.5: 0.5, 3.0: 1.0}
    assert score.recall_gap == {0.5: 0.5, 3.0: 1.0}
    assert score.recall_segue == {0.5: 0.0, 3.0: 1.0}
    assert score.start_errors_s == pytest.approx((0.0, -0.8, 2.0, 0.4))
    assert score.share_early == 0.25
    assert score.share_late == 0.5


def test_a_missing_start_costs_recall_and_a_false_one_precision(truth: Truth) -> None:
    score = score_tracks([5.0, 150.0, 200.0, 303.0], truth)
    assert score.precision[3.0] == 0.75
    assert score.recall[3.0] == 0.75
    assert score.missed == (2,)
    fewer = score_tracks([5.0], truth)
    assert (fewer.precision[0.5], fewer.recall[0.5]) == (1.0, 0.25)
    assert fewer.missed == (2, 3, 4)


def test_one_true_start_is_matched_once_and_by_the_nearest(truth: Truth) -> None:
    score = score_tracks([4.8, 5.1, 105.0, 200.0, 303.0], truth)
    assert score.precision[0.5] == 0.8
    assert score.recall[0.5] == 1.0
    assert score.start_errors_s[0] == pytest.approx(0.1)


def test_as_many_as_can_be_are_matched(truth: Truth) -> None:
    """Taking the nearest first would leave one over: 0.1 and then 2.7 apart, where 1.9 and 0.9 both fit."""
    near = dataclasses.replace(
        truth, tracks=(track(1, 10.0, 10.0, 10.5, 10.5, "edge"), track(2, 10.8, 10.8, 20.0, 20.0, "gap"))
    )
    score = score_tracks([9.9, 8.1], near, 2.0)
    assert score.recall == {2.0: 1.0}
    assert score.start_errors_s == pytest.approx((-1.9, -0.9))


def test_order_of_the_list_does_not_matter_and_stops_go_with_their_starts(truth: Truth) -> None:
    score = score_tracks([303.0, 5.0], truth, 0.5, found_stops_s=[385.0, 103.0])
    assert score.recall == {0.5: 0.5}
    assert score.stop_errors_s == pytest.approx((1.0, -3.0))


def test_nothing_found_is_nothing_right(truth: Truth) -> None:
    score = score_tracks([], truth)
    assert math.isnan(score.precision[0.5])
    assert score.recall[0.5] == 0.0
    assert score.missed == (1, 2, 3, 4)
    assert math.isnan(score.median_error_s)
