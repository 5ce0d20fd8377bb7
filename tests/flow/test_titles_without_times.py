"""A side that prints no times is told by the number of its tracks alone."""

from __future__ import annotations

import pytest

from sidekeep.flow.tracks.titles import TITLE_SURE, without_times
from sidekeep.model.cuts import Track


def track(number: int, begins: float) -> Track:
    return Track(
        number=number,
        title="",
        start_frame=100 * number,
        stop_frame=100 * number + 90,
        confidence=begins,
        title_confidence=0.98,
    )


@pytest.mark.parametrize(
    ("saw_down", "begins", "named"),
    [
        (True, 0.78, [True, False, False]),
        (False, 0.78, [False, False, False]),  # its first track may be any
        (False, 0.95, [True, True, True]),
    ],
)
def test_titles_are_as_sure_as_the_least_sure_beginning(
    saw_down: bool, begins: float, named: list[bool]
) -> None:
    tracks = [track(1, 0.99), track(2, 0.99), track(3, begins)]
    found = without_times(tracks, saw_down=saw_down)
    assert [each.title_confidence >= TITLE_SURE for each in found] == named


def test_no_title_is_sure_where_the_number_of_tracks_is_not_what_is_heard() -> None:
    """The line too many, or the missing one, may be the first."""
    tracks = [track(1, 0.99), track(2, 0.99), track(3, 0.94)]
    found = without_times(tracks, saw_down=True, is_doubted=True)
    assert [each.title_confidence >= TITLE_SURE for each in found] == [False, False, False]


def test_a_single_track_needs_no_number() -> None:
    (alone,) = without_times([track(1, 0.99)], saw_down=False)
    assert alone.title_confidence == 0.98
