"""cuts.toml: exact round trip, edits by hand, edits surviving a new survey, differences."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.errors import ShelfError
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.shelf.choices.cuts_file import read_cuts, write_cuts


def cuts(rate_hz: int = 96000, moved: int = 0) -> Cuts:
    tracks = tuple(
        Track(
            number=n,
            title=f"Song {n}",
            start_frame=n * 20 * rate_hz + 7 + moved,
            stop_frame=(n * 20 + 18) * rate_hz + 1,
            confidence=0.93,
            boundary="edge" if n == 1 else "gap",
        )
        for n in (1, 2, 3)
    )
    side = SideCuts(
        side="A",
        needle_down_frame=2 * rate_hz,
        needle_up_frame=90 * rate_hz,
        music_start_frame=tracks[0].start_frame,
        music_stop_frame=tracks[-1].stop_frame,
        tracks=tracks,
    )
    return Cuts(rate_hz=rate_hz, sides=(side,))


def test_round_trip_and_nothing_counts_as_edited() -> None:
    assert read_cuts(write_cuts(cuts())) == cuts()


text_values = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)


@settings(max_examples=80, deadline=None)
@given(
    rate_hz=st.sampled_from([44100, 48000, 96000, 192000]),
    places=st.lists(st.integers(0, 10_000_000_00), min_size=8, max_size=8, unique=True),
    words=st.tuples(text_values, text_values, text_values),
    confidence=st.floats(0, 1),
    edited=st.booleans(),
)
def test_round_trip_of_any_cuts(
    rate_hz: int, places: list[int], words: tuple[str, str, str], confidence: float, edited: bool
) -> None:
    a, b, c, d, e, f, g, h = sorted(places)
    tracks = (
        Track(number=1, title=words[0], artist=words[1], composer=words[2], start_frame=c, stop_frame=d,
              confidence=confidence, boundary="edge", edited=edited),
        Track(number=2, title=words[1], start_frame=e, stop_frame=f, boundary="segue"),
    )  # fmt: skip
    side = SideCuts(
        side="B",
        needle_down_frame=a,
        needle_up_frame=h,
        music_start_frame=b,
        music_stop_frame=g,
        tracks=tracks,
    )
    whole = Cuts(rate_hz=rate_hz, sides=(side,))
    assert read_cuts(write_cuts(whole)) == whole
    assert write_cuts(whole, write_cuts(whole)) == write_cuts(whole)


def test_sides_of_several_takes_and_rates_lie_in_one_file() -> None:
    one = replace(cuts().sides[0], take="aa")
    other = replace(cuts(44_100).sides[0], take="bb", rate_hz=44_100, edited=True)
    whole = Cuts(rate_hz=96000, sides=(one, other))
    assert read_cuts(write_cuts(whole)) == whole


def test_a_split_keeps_the_comments_of_the_other_tracks() -> None:
    text = write_cuts(cuts()).replace('title = "Song 3"', 'title = "Song 3" # sad')
    side = cuts().sides[0]
    first = replace(side.tracks[0], stop_frame=side.tracks[0].start_frame + 5)
    extra = replace(side.tracks[0], title="New", start_frame=first.stop_frame, number=2)
    tracks = (first, extra, *(replace(track, number=track.number + 1) for track in side.tracks[1:]))
    split = Cuts(rate_hz=96000, sides=(replace(side, tracks=tracks),))
    again = write_cuts(split, text)
    assert read_cuts(again) == split
    assert 'number = 4\ntitle = "Song 3" # sad' in again


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("rate_hz = 96000", "rate_hz = 0"), "whole number of frames per second"),
        (("rate_hz = 96000", "rate_hz = true"), "whole number of frames per second"),
        (("rate_hz = 96000", "rate_hz = 96000.5"), "whole number of frames per second"),
        (("rate_hz = 96000", ""), "whole number of frames per second"),
        (('name = "A"', ""), "without a name"),
        (('start = "0:20.000073"\nstart_frame = 1920007', ""), "neither start nor start_frame"),
        (('start = "0:20.000073"', 'start = "soon"'), "must be a time"),
        (('stop = "0:38.000010"\nstop_frame = 3648001', 'stop = "0:10"'), "before it starts"),
        (('boundary = "edge"', 'boundary = "cliff"'), "gap, segue or edge"),
        (("[[side]]", "[[side"), "cannot be read"),
        (('start = "0:20.000073"', 'start = "0:21"'), "delete the one that is wrong"),
        (("confidence = 0.93", "confidence = 2.0"), "from 0 to 1"),
        (('title = "Song 1"', "title = 5"), "text in quotes"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(change: tuple[str, str], message: str) -> None:
    text = write_cuts(cuts())
    assert change[0] in text
    with pytest.raises(ShelfError, match=message) as caught:
        read_cuts(text.replace(change[0], change[1], 1))
    assert "\n" not in str(caught.value)
