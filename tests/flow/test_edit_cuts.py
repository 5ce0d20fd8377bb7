"""Cuts changed by hand: how far a mark may go, what it takes along, and what a track keeps when two become one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sidekeep.errors import ParameterError
from sidekeep.flow.tracks.edit_cuts import join, move_mark, music_bound, retitle, right, runs_on, split
from sidekeep.model.cuts import SideCuts, Track

LENGTH = 1000
"""Frames on the take."""


def track(number: int, start: int, stop: int, boundary: str = "gap") -> Track:
    return Track(
        number=number,
        title=f"Track {number}",
        start_frame=start,
        stop_frame=stop,
        confidence=0.5,
        title_confidence=0.5,
        boundary=boundary,  # type: ignore[arg-type]
    )


SIDE = SideCuts(
    side="A",
    needle_down_frame=20,
    needle_up_frame=950,
    music_start_frame=100,
    music_stop_frame=900,
    tracks=(track(1, 100, 300, "edge"), track(2, 320, 500), track(3, 500, 900, "segue")),
)
EMPTY = replace(SIDE, tracks=())


def spans(side: SideCuts) -> list[tuple[int, int]]:
    assert side.edited
    assert [each.number for each in side.tracks] == list(range(1, len(side.tracks) + 1))
    assert (side.music_start_frame, side.music_stop_frame) == (
        side.tracks[0].start_frame,
        side.tracks[-1].stop_frame,
    )
    return [(each.start_frame, each.stop_frame) for each in side.tracks]


def touched(side: SideCuts) -> list[int]:
    return [each.number for each in side.tracks if each.edited]


def refused(number: int, edge: str, frame: int) -> None:
    with pytest.raises(ParameterError) as refusal:
        move_mark(SIDE, number, edge, frame, LENGTH)  # type: ignore[arg-type]
    assert refusal.value.code == "past-a-neighbour"


def test_a_start_in_a_gap_moves_alone_and_is_sure() -> None:
    moved = move_mark(SIDE, 2, "start", 310, LENGTH)
    assert spans(moved) == [(100, 300), (310, 500), (500, 900)]
    assert touched(moved) == [2]
    assert moved.tracks[1].confidence == 1.0
    assert SIDE.tracks[1].start_frame == 320


def test_a_start_that_runs_on_takes_the_stop_before_it_along() -> None:
    moved = move_mark(SIDE, 3, "start", 600, LENGTH)
    assert spans(moved) == [(100, 300), (320, 600), (600, 900)]
    assert touched(moved) == [2, 3]


def test_a_start_before_the_stop_of_the_track_before_shortens_that_one() -> None:
    assert spans(move_mark(SIDE, 2, "start", 250, LENGTH)) == [(100, 250), (250, 500), (500, 900)]
    assert spans(move_mark(SIDE, 2, "start", 300, LENGTH)) == [(100, 300), (300, 500), (500, 900)]
    assert touched(move_mark(SIDE, 2, "start", 300, LENGTH)) == [2]


def test_a_stop_moves_alone_in_a_gap_and_pushes_a_start_that_is_in_its_way() -> None:
    assert spans(move_mark(SIDE, 1, "stop", 320, LENGTH)) == [(100, 320), (320, 500), (500, 900)]
    assert touched(move_mark(SIDE, 1, "stop", 320, LENGTH)) == [1]
    pushed = move_mark(SIDE, 1, "stop", 400, LENGTH)
    assert spans(pushed) == [(100, 400), (400, 500), (500, 900)]
    assert (touched(pushed), pushed.tracks[1].confidence) == ([1, 2], 1.0)


def test_a_stop_takes_the_start_that_runs_on_along() -> None:
    assert spans(move_mark(SIDE, 2, "stop", 400, LENGTH)) == [(100, 300), (320, 400), (400, 900)]


def test_every_track_keeps_a_frame_and_marks_stay_on_the_take() -> None:
    assert spans(move_mark(SIDE, 1, "start", 0, LENGTH))[0] == (0, 300)
    assert spans(move_mark(SIDE, 1, "start", 299, LENGTH))[0] == (299, 300)
    assert spans(move_mark(SIDE, 2, "start", 101, LENGTH))[:2] == [(100, 101), (101, 500)]
    assert spans(move_mark(SIDE, 2, "stop", 321, LENGTH))[1:] == [(320, 321), (321, 900)]
    assert spans(move_mark(SIDE, 2, "stop", 899, LENGTH))[1:] == [(320, 899), (899, 900)]
    assert spans(move_mark(SIDE, 3, "stop", LENGTH, LENGTH))[2] == (500, LENGTH)
    for number, edge, frame in (
        (1, "start", -1),
        (1, "start", 300),
        (2, "start", 100),
        (2, "stop", 320),
        (2, "stop", 900),
        (3, "stop", LENGTH + 1),
    ):
        refused(number, edge, frame)


def test_a_track_that_is_not_there_is_named() -> None:
    with pytest.raises(ParameterError) as refusal:
        move_mark(SIDE, 4, "start", 10, LENGTH)
    assert (refusal.value.code, refusal.value.facts["tracks"]) == ("no-such-track", 3)


def test_a_split_inside_a_track_runs_on() -> None:
    cut = split(SIDE, 400)
    assert spans(cut) == [(100, 300), (320, 400), (400, 500), (500, 900)]
    new = cut.tracks[2]
    assert (new.title, new.boundary, new.confidence, new.edited) == ("", "segue", 1.0, True)
    assert touched(cut) == [2, 3]


def test_a_new_track_outside_the_others_goes_up_to_the_next_or_the_end_of_the_music() -> None:
    assert spans(split(SIDE, 310)) == [(100, 300), (310, 320), (320, 500), (500, 900)]
    assert split(SIDE, 310).tracks[1].boundary == "gap"
    first = split(SIDE, 20)
    assert spans(first)[0] == (20, 100)
    assert first.tracks[0].boundary == "edge"
    assert spans(split(SIDE, 920))[-1] == (920, 950)  # behind the music: up to the needle
    shorter = replace(SIDE, tracks=SIDE.tracks[:2])
    assert spans(split(shorter, 500))[-1] == (500, 900)
    assert spans(split(EMPTY, 40)) == [(40, 900)]


@pytest.mark.parametrize("frame", [19, 100, 500, 950])
def test_no_track_begins_before_the_needle_after_it_or_where_one_begins_already(frame: int) -> None:
    with pytest.raises(ParameterError) as refusal:
        split(SIDE, frame)
    assert refusal.value.code == "no-track-there"


def test_two_tracks_become_one_with_the_title_there_is() -> None:
    both = join(SIDE, 1)
    assert spans(both) == [(100, 500), (500, 900)]
    assert (both.tracks[0].title, touched(both)) == ("Track 1", [1])
    nameless = replace(
        SIDE, tracks=(replace(SIDE.tracks[0], title="", title_confidence=0.0), *SIDE.tracks[1:])
    )
    named = join(nameless, 1).tracks[0]
    assert (named.title, named.title_confidence, named.boundary) == ("Track 2", 0.5, "edge")
    with pytest.raises(ParameterError) as refusal:
        join(SIDE, 3)
    assert refusal.value.code == "no-track-after"


def test_a_track_runs_on_or_begins_after_a_gap() -> None:
    on = runs_on(SIDE, 2, True)
    assert spans(on) == [(100, 320), (320, 500), (500, 900)]
    assert (on.tracks[1].boundary, touched(on)) == ("segue", [1, 2])
    off = runs_on(SIDE, 3, False)
    assert spans(off) == spans(replace(SIDE, edited=True))
    assert (off.tracks[2].boundary, touched(off)) == ("gap", [3])
    with pytest.raises(ParameterError) as refusal:
        runs_on(SIDE, 1, True)
    assert refusal.value.code == "first-track"


def test_a_title_a_person_gives_is_sure_and_the_rest_stays() -> None:
    named = retitle(SIDE, 2, "  The  Lamp ", None, None).tracks[1]
    assert (named.title, named.title_confidence, named.edited) == ("The Lamp", 1.0, True)
    by = retitle(SIDE, 2, None, "The  Wicker Boats", "N. Reed").tracks[1]
    assert (by.title, by.artist, by.composer) == ("Track 2", "The Wicker Boats", "N. Reed")
    assert by.title_confidence == 0.5
    with pytest.raises(ParameterError) as refusal:
        retitle(SIDE, 2, None, None, None)
    assert refusal.value.code == "nothing-given"


def test_a_start_that_is_right_is_sure_and_stays() -> None:
    said = right(SIDE, 2)
    assert said.tracks[1] == replace(SIDE.tracks[1], confidence=1.0, edited=True)
    assert (said.tracks[0], said.tracks[2]) == (SIDE.tracks[0], SIDE.tracks[2])


def test_the_music_begins_and_ends_with_its_tracks() -> None:
    assert spans(music_bound(SIDE, "start", 299, LENGTH))[0] == (299, 300)
    assert spans(music_bound(SIDE, "start", 0, LENGTH))[0] == (0, 300)
    assert spans(music_bound(SIDE, "stop", 501, LENGTH))[-1] == (500, 501)
    assert spans(music_bound(SIDE, "stop", LENGTH, LENGTH))[-1] == (500, LENGTH)
    for edge, frame in (("start", -1), ("start", 300), ("stop", 500), ("stop", LENGTH + 1)):
        with pytest.raises(ParameterError):
            music_bound(SIDE, edge, frame, LENGTH)  # type: ignore[arg-type]


def test_the_music_of_a_side_without_tracks_has_bounds_too() -> None:
    assert music_bound(EMPTY, "start", 899, LENGTH).music_start_frame == 899
    assert music_bound(EMPTY, "stop", 101, LENGTH).music_stop_frame == 101
    for edge, frame in (("start", 900), ("stop", 100)):
        with pytest.raises(ParameterError):
            music_bound(EMPTY, edge, frame, LENGTH)  # type: ignore[arg-type]
