"""Track lists whose layout was lost by pasting them. The layouts are common practice, no source; every text says the same record."""

from __future__ import annotations

import pytest

from sidekeep.shelf.sleeve.reading import read_sleeve, read_text
from sidekeep.shelf.sleeve.writing import write_sleeve

SIDES = {"A": [("Lamp Oil", 225.0), ("Rope", 250.0)], "B": [("Kelp", 302.0), ("Eel Pie", 170.0)]}
HEAD = "The Wicker Boats - Tallow (1971)\n"
TEXTS = {
    "columns": HEAD
    + "SIDE A                          SIDE B\n"
    + "1. Lamp Oil ........ 3:45       1. Kelp ............ 5:02\n"
    + "2. Rope              4:10       2. Eel Pie           2:50\n",
    "columns with tabs": HEAD
    + "Side A\t\t\tSide B\n1\tLamp Oil\t3:45\t1\tKelp\t5:02\n2\tRope\t4:10\t2\tEel Pie\t2:50\n",
    "cells": HEAD + "A1\nLamp Oil\n3:45\nA2\nRope\n4:10\nB1\nKelp\n5:02\nB2\nEel Pie\n2:50\n",
    "cells of each side": HEAD
    + "Side A\n\n1\nLamp Oil\n3:45\n\n2\nRope\n4:10\n\nSide B\n1\nKelp\n5:02\n2\nEel Pie\n2:50\n",
    "cells with the artist": HEAD
    + "".join(
        f"{mark}\n{title}\nThe Wicker Boats\n{time}\n"
        for mark, title, time in (
            ("A1", "Lamp Oil", "3:45"),
            ("A2", "Rope", "4:10"),
            ("B1", "Kelp", "5:02"),
            ("B2", "Eel Pie", "2:50"),
        )
    ),
    "titles, then times": HEAD + "Side A\nLamp Oil\nRope\n3:45\n4:10\nSide B\nKelp\nEel Pie\n5:02\n2:50\n",
    "in a line": HEAD + "A1 Lamp Oil 3:45, A2 Rope 4:10 / B1 Kelp 5:02, B2 Eel Pie 2:50\n",
    "a column of positions": "Position,Title,Duration\nA1,Lamp Oil,3:45\nA2,Rope,4:10\nB1,Kelp,5:02\nB2,Eel Pie,2:50\n",
}


@pytest.mark.parametrize("layout", TEXTS)
def test_every_layout_says_the_same(layout: str) -> None:
    record, problems = read_sleeve(TEXTS[layout])
    assert problems == []
    found = {side.name: [(track.title, track.duration_s) for track in side.tracks] for side in record.sides}
    assert found == SIDES
    if TEXTS[layout].startswith(HEAD):
        assert (record.artist, record.title, record.year) == ("The Wicker Boats", "Tallow", 1971)
    assert read_sleeve(write_sleeve(record))[0] == record


def test_no_line_vanishes() -> None:
    """Every line that is not empty was read as something, in the order of the text."""
    for text in TEXTS.values():
        lines = read_text(text).lines
        assert [line.number for line in lines] == sorted(line.number for line in lines)
        assert {line.reads_as for line in lines if line.text} <= {"title", "side", "track", "field"}


def test_a_list_without_a_head_begins_with_its_first_mark() -> None:
    """The first track was taken for artist and title of the record."""
    record, _ = read_sleeve("A1\nLamp Oil\n3:45\nA2\nRope\n4:10\n")
    assert (record.artist, record.title) == ("", "")
    assert [track.title for track in record.sides[0].tracks] == ["Lamp Oil", "Rope"]


def test_times_at_which_tracks_begin_become_lengths() -> None:
    record, _ = read_sleeve("Tallow\n0:00 Lamp Oil\n3:45 Rope\n7:55 Kelp\n1:02:57 Eel\n")
    assert [track.duration_s for track in record.sides[0].tracks] == [225.0, 250.0, 3302.0, None]


@pytest.mark.parametrize(
    ("text", "lengths"),
    [
        ("Tallow\nSide A\n1. Hush 0:00\n2. Rope 0:45\n3. Kelp 3:10\n", [0.0, 45.0, 190.0]),  # sides are named
        ("Tallow\n1. Hush 0:00\n2. Rope 4:10\n3. Kelp 3:10\n", [0.0, 250.0, 190.0]),  # not in order
        ("Tallow\n1. Hush 0:30\n2. Rope 3:10\n3. Kelp 4:10\n", [30.0, 190.0, 250.0]),  # not from 0:00
        ("Tallow\n1. Hush 0:00\n2. Rope\n3. Kelp 4:10\n", [0.0, None, 250.0]),
    ],
)
def test_lengths_stay_lengths(text: str, lengths: list[float | None]) -> None:
    record, _ = read_sleeve(text)
    assert [track.duration_s for track in record.sides[0].tracks] == lengths


@pytest.mark.parametrize(
    ("text", "titles"),
    [
        ("Tallow\nSide A\nA1 Paper A4 3:45\nA2 B1 Street 4:10\n", ["Paper A4", "B1 Street"]),
        ("Tallow\nSide A\n1\n2\n3\n", ["1", "2", "3"]),
        ("Tallow\nSide A\nLamp Oil\nRope\n3:45\n", ["Lamp Oil", "Rope"]),
        ("Tallow\nSide A\nSide to Side     Side by Side\nRope 3:45\n", ["Side to Side Side by Side", "Rope"]),
    ],
)
def test_what_fits_only_in_part_stays_as_it_was(text: str, titles: list[str]) -> None:
    record, _ = read_sleeve(text)
    assert [track.title for track in record.sides[0].tracks] == titles
