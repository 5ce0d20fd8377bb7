"""cuts.toml: exact round trip, edits by hand, edits surviving a new survey, differences."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.errors import ShelfError
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.shelf.cuts_file import differences, keep_edits, read_cuts, write_cuts


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
    again, notes = read_cuts(write_cuts(cuts()))
    assert again == cuts()
    assert notes == []


text_values = st.text(max_size=20)


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
    assert read_cuts(write_cuts(whole)) == (whole, [])


def test_a_changed_time_wins_and_counts_as_edited() -> None:
    text = write_cuts(cuts()).replace('start = "0:40.000073"', 'start = "0:41"')
    again, notes = read_cuts(text)
    track = again.sides[0].tracks[1]
    assert track.start_frame == 41 * 96000
    assert track.edited
    assert not again.sides[0].tracks[0].edited
    assert len(notes) == 1
    assert "the time was taken" in notes[0]


def test_a_frame_without_a_time_is_exact() -> None:
    text = write_cuts(cuts()).replace('start = "0:40.000073"\nstart_frame = 3840007', "start_frame = 3900001")
    again, notes = read_cuts(text)
    assert again.sides[0].tracks[1].start_frame == 3900001
    assert again.sides[0].tracks[1].edited
    assert notes == []


def test_a_removed_track_counts_as_an_edit() -> None:
    text = write_cuts(cuts())
    at = text.rindex("[[side.track]]")
    again, _ = read_cuts(text[:at])
    assert len(again.sides[0].tracks) == 2
    assert all(track.edited for track in again.sides[0].tracks)


def test_edits_survive_a_new_survey() -> None:
    text = write_cuts(cuts()).replace('start = "0:40.000073"', 'start = "0:41"')
    mine, _ = read_cuts(text)
    kept = keep_edits(mine, cuts(moved=5000))
    assert kept == mine
    again, _ = read_cuts(write_cuts(kept))
    assert again == mine
    assert keep_edits(cuts(), cuts(moved=5000)) == cuts(moved=5000)


def test_edits_survive_a_take_at_another_rate() -> None:
    track = replace(cuts().sides[0].tracks[0], edited=True)
    mine = Cuts(rate_hz=96000, sides=(replace(cuts().sides[0], tracks=(track,)),))
    kept = keep_edits(mine, cuts(48000))
    assert kept.rate_hz == 48000
    assert kept.sides[0].tracks[0].start_frame == round((20 * 96000 + 7) / 2)


def test_differences_name_what_moved() -> None:
    assert differences(cuts(), cuts()) == []
    assert differences(cuts(), cuts(moved=4), tolerance_frames=4) == []
    found = differences(cuts(), cuts(moved=48000))
    assert [(d.side, d.track, d.what) for d in found] == [
        ("A", 0, "music start"),
        *[("A", n, "start") for n in (1, 2, 3)],
    ]
    assert found[1].text == "A1 start: yours 0:20.000, proposed 0:20.500 (0.500 s later)"


def test_differences_of_titles_tracks_and_sides() -> None:
    side = cuts().sides[0]
    fewer = Cuts(rate_hz=96000, sides=(replace(side, tracks=side.tracks[:2]),))
    renamed = Cuts(
        rate_hz=96000,
        sides=(replace(side, tracks=(replace(side.tracks[0], title="Moss"), *side.tracks[1:])),),
    )
    assert [d.what for d in differences(cuts(), fewer)] == ["track"]
    assert [d.what for d in differences(fewer, cuts())] == ["track"]
    assert [d.what for d in differences(cuts(), renamed)] == ["title"]
    assert [d.what for d in differences(cuts(), Cuts(rate_hz=96000))] == ["side"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("rate_hz = 96000", "rate_hz = 0"), "rate_hz"),
        (('name = "A"', ""), "without a name"),
        (('start = "0:20.000073"\nstart_frame = 1920007', ""), "neither start nor start_frame"),
        (('start = "0:20.000073"', 'start = "soon"'), "must be a time"),
        (('stop = "0:38.000010"', 'stop = "0:10"'), "before it starts"),
        (('boundary = "edge"', 'boundary = "cliff"'), "gap, segue or edge"),
        (("[[side]]", "[[side"), "cannot be read"),
        (('title = "Song 1"', "title = 5"), "text in quotes"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(change: tuple[str, str], message: str) -> None:
    text = write_cuts(cuts())
    assert change[0] in text
    with pytest.raises(ShelfError, match=message) as caught:
        read_cuts(text.replace(change[0], change[1], 1))
    assert "\n" not in str(caught.value)
