"""Which play is which side."""

from __future__ import annotations

import pytest

from sidekeep.dsp.tracks.boundaries import Place
from sidekeep.flow.tracks.play_sides import assign_sides, divide_places, likely_side
from sidekeep.model.record import Side, SleeveTrack


def side(name: str, *times: float | None) -> Side:
    tracks = tuple(SleeveTrack(number=n, title="", duration_s=time) for n, time in enumerate(times, start=1))
    return Side(name=name, tracks=tracks)


A, B, C = side("A", 300, 600), side("B", 400, 800), side("C", 200, 200)


def names(lengths_s: list[float], sides: list[Side] | None) -> tuple[list[tuple[int, str]], list[int], str]:
    assigned, unused, missing = assign_sides(lengths_s, sides)
    pairs = [(index, "".join(one.name for one in expected)) for index, expected in assigned]
    return pairs, unused, "".join(one.name for one in missing)


def test_one_to_one() -> None:
    assert names([905, 1210], [A, B]) == ([(0, "A"), (1, "B")], [], "")


def test_a_broken_off_take_before_the_whole_one() -> None:
    assert names([200, 905], [A]) == ([(1, "A")], [0], "")
    assert names([905, 300, 1205], [A, B]) == ([(0, "A"), (2, "B")], [1], "")


def test_the_later_of_two_whole_takes() -> None:
    assert names([905, 905], [A]) == ([(1, "A")], [0], "")


def test_a_missing_side() -> None:
    assert names([905], [A, B]) == ([(0, "A")], [], "B")
    assert names([1205], [A, B]) == ([(0, "B")], [], "A")
    assert names([], [A]) == ([], [], "A")


def test_two_sides_without_lifting_the_needle() -> None:
    assert names([2110], [A, B]) == ([(0, "AB")], [], "")
    assert names([2110, 410], [A, B, C]) == ([(0, "AB"), (1, "C")], [], "")


def test_needle_bumps_are_not_sides() -> None:
    assert names([3, 905, 4, 1205], [A, B]) == ([(1, "A"), (3, "B")], [0, 2], "")
    assert names([3, 905], None) == ([(1, "")], [0], "")
    assert names([12], None) == ([(0, "")], [], "")


def test_sides_without_times_take_the_long_plays() -> None:
    assert names([3, 905, 1205], [side("A", None), side("B", None, None)]) == ([(1, "A"), (2, "B")], [0], "")


def test_of_two_sides_as_long_as_each_other_the_first_is_taken() -> None:
    assert names([905], [A, side("B", 300, 600), side("C", 300, 600)]) == ([(0, "A")], [], "BC")


@pytest.mark.parametrize(
    ("side_b", "missing", "is_sure"),
    [
        ((30, 55, 38, 24, 48), (A,), False),  # two of five do not fit
        ((30, 55, 38, 24, 48), (), True),  # nobody doubts that it is side B
        ((30, 19, 38, 24, 48), (A,), True),  # one misprint is forgiven
        ((30, 19, 38, 24, 33), (A,), True),
    ],
)
def test_times_that_fit_by_chance_name_no_side_that_nobody_named(
    side_b: tuple[float, ...], missing: tuple[Side, ...], is_sure: bool
) -> None:
    """A side played at another speed, under the sleeve of which it has only the length: three of five times fit."""
    hop_s, gap_s = 0.1, 2.0
    at_s, places = 0.0, [Place(0, 0, True, 0.0)]
    for length_s in (29.6, 19.3, 38.5, 24.4, 33.3):
        at_s += length_s
        places.append(Place(round(at_s / hop_s), round((at_s + gap_s) / hop_s), True, 4.0))
        at_s += gap_s
    places[-1] = Place(places[-1].start, places[-1].start, True, 0.0)
    own = side("B", *side_b)
    division = divide_places(places, side_b, hop_s)
    name, sure = likely_side(places, division, own, [own], hop_s, missing)
    assert name == ""
    assert (sure > 0.9) is is_sure
