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
    "in a line, by signs": HEAD + "Side A: Lamp Oil (3:45) / Rope (4:10)\nSide B\nKelp 5:02 · Eel Pie 2:50\n",
    "in a line, numbered": HEAD
    + "Side A: 1. Lamp Oil (3:45), 2. Rope (4:10)\nSide B: 1. Kelp (5:02), 2. Eel Pie (2:50)\n",
    "a web page": HEAD
    + '<h3 class="side">Side A</h3><ul><li>Lamp Oil 3:45</li><li>Rope 4:10</li></ul><h3>Side B</h3><p>Kelp 5:02<br>Eel Pie 2:50</p>\n',
    "a web page's table": HEAD
    + "<table><tr><td>A1</td><td>Lamp Oil</td><td>3:45</td></tr><tr><td>A2</td><td>Rope</td><td>4:10</td></tr>"
    + "<tr><td>B1</td><td>Kelp</td><td>5:02</td></tr><tr><td>B2</td><td>Eel Pie</td><td>2:50</td></tr></table>\n",
    "1A, 2A": HEAD + "1A Lamp Oil 3:45\n2A Rope 4:10\n1B Kelp 5:02\n2B Eel Pie 2:50\n",
    "A/1": HEAD + "A/1 Lamp Oil 3:45\nA/2 Rope 4:10\nB/1 Kelp 5:02\nB/2 Eel Pie 2:50\n",
    "S1T1": HEAD + "S1T1 Lamp Oil 3:45\nS1T2 Rope 4:10\nS2T1 Kelp 5:02\nS2T2 Eel Pie 2:50\n",
    "side and track in words": HEAD
    + "Side A, Track 1: Lamp Oil 3:45\nSide A, Track 2: Rope 4:10\nSide B, Track 1: Kelp 5:02\nSide B, Track 2: Eel Pie 2:50\n",
    "letters": HEAD + "Side A\na) Lamp Oil 3:45\nb) Rope 4:10\nSide B\na) Kelp 5:02\nb) Eel Pie 2:50\n",
    "pictures": HEAD + "Side A\n🎵 Lamp Oil 3:45\n🎵 Rope 4:10\nSide B\n🎵 Kelp 5:02\n🎵 Eel Pie 2:50\n",
    "times with a hyphen": HEAD + "Side A\nLamp Oil 3-45\nRope 4-10\nSide B\nKelp 5-02\nEel Pie 2-50\n",
    "times apart": HEAD + "Side A\nLamp Oil  3 45\nRope  4 10\nSide B\nKelp  5 02\nEel Pie  2 50\n",
    "from when to when": HEAD
    + "Side A\n0:00 - 3:45 Lamp Oil\n3:45 - 7:55 Rope\nSide B\n0:00 - 5:02 Kelp\n5:02 - 7:52 Eel Pie\n",
    "dots with spaces": HEAD
    + "Side A\nLamp Oil . . . . . 3:45\nRope . . . . 4:10\nSide B\nKelp . . . 5:02\nEel Pie . . . . 2:50\n",
    "a colon or a sign before the time": HEAD
    + "Side A\nLamp Oil: 3:45\nRope: 4:10\nSide B\nKelp = 5:02\nEel Pie = 2:50\n",
    "by whom": HEAD
    + 'Side A\n"Lamp Oil" by The Wicker Boats 3:45\n"Rope" by The Wicker Boats 4:10\nSide B\n'
    + '"Kelp" by The Wicker Boats 5:02\n"Eel Pie" by The Wicker Boats 2:50\n',
    "the label's number": HEAD + "11A\nLamp Oil 3:45\nRope 4:10\n11B\nKelp 5:02\nEel Pie 2:50\n",
    "the label's number, in words": HEAD
    + "Side 11A\n1. Lamp Oil 3:45\n2. Rope 4:10\nSide 11B\n1. Kelp 5:02\n2. Eel Pie 2:50\n",
    "the catalogue number": HEAD + "TR 104-A\nLamp Oil 3:45\nRope 4:10\nTR 104-B\nKelp 5:02\nEel Pie 2:50\n",
    "over the page": HEAD
    + "Side A\nLamp Oil 3:45\nSide A (cont'd)\nRope 4:10\nSide Two\nKelp 5:02\nSide Two continued\nEel Pie 2:50\n",
    "Roman numbers": HEAD + "Side A\nI Lamp Oil 3:45\nII Rope 4:10\nSide B\nI Kelp 5:02\nII Eel Pie 2:50\n",
    "small Roman numbers": HEAD
    + "Side A\n(i) Lamp Oil 3:45\n(ii) Rope 4:10\nSide B\n(iii) Kelp 5:02\n(iv) Eel Pie 2:50\n",
    "A1 and no space": HEAD + "A1Lamp Oil 3:45\nA2Rope 4:10\nB1Kelp 5:02\nB2Eel Pie 2:50\n",
    "A|1": HEAD + "A|1 Lamp Oil 3:45\nA|2 Rope 4:10\nB|1 Kelp 5:02\nB|2 Eel Pie 2:50\n",
    "a long dash": HEAD + "Side A\n1—Lamp Oil—3:45\n2—Rope—4:10\nSide B\n1—Kelp—5:02\n2—Eel Pie—2:50\n",
    "o for a bullet": HEAD + "Side A\no Lamp Oil 3:45\no Rope 4:10\nSide B\no Kelp 5:02\no Eel Pie 2:50\n",
    "times one space apart": HEAD + "Side A\nLamp Oil 3 45\nRope 4 10\nSide B\nKelp 5 02\nEel Pie 2 50\n",
    "times and no space": HEAD + "Side A\nLamp Oil3:45\nRope4:10\nSide B\nKelp5:02\nEel Pie2:50\n",
    "seconds": HEAD + "Side A\nLamp Oil 225 s\nRope 250 sec.\nSide B\nKelp 302 seconds\nEel Pie 170 s\n",
    "a word before the time": HEAD
    + "Side A\nLamp Oil about 3:45\nRope about 4:10\nSide B\nKelp about 5:02\nEel Pie about 2:50\n",
    "what the bracket holds": HEAD
    + "Side A\nLamp Oil (time 3:45)\nRope (duration: 4:10)\nSide B\nKelp [Time: 5:02]\nEel Pie (2 minutes and 50 seconds)\n",
    "stars and signs": HEAD + "Side A\nLamp Oil 3:45*\nRope ≈4:10\nSide B\nKelp ± 5:02\nEel Pie 2:50 ca.\n",
    "the time behind the mark": HEAD
    + "Side A\n1. (3:45) Lamp Oil\n2. (4:10) Rope\nSide B\n1. (5:02) Kelp\n2. (2:50) Eel Pie\n",
    "names of files": HEAD
    + "Side A\n01 - Lamp Oil.flac 3:45\n02 - Rope.flac 4:10\nSide B\n01 - Kelp.flac 5:02\n02 - Eel Pie.flac 2:50\n",
    "narrow columns": HEAD
    + "Side A         Side B\nLamp Oil 3:45  Kelp    5:02\nRope     4:10  Eel Pie 2:50\n",
    "a title over two lines": HEAD
    + "Side A\n1. Lamp\n   Oil 3:45\n2. Rope 4:10\nSide B\n1. Kelp 5:02\n2. Eel\nPie 2:50\n",
    "what the label says": HEAD
    + "SIDE A  STEREO  33 1/3\nLamp Oil 3:45\nRope 4:10\nSIDE B  STEREO  33 1/3\nKelp 5:02\nEel Pie 2:50\n",
    "names of columns above each side": HEAD
    + "Side A\nNo.\tTitle\tLength\n1.\tLamp Oil\t3:45\n2.\tRope\t4:10\n"
    + "Side B\nNo.\tTitle\tLength\n1.\tKelp\t5:02\n2.\tEel Pie\t2:50\nTotal length:\t7:52\n",
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


@pytest.mark.parametrize("names", [("(I. Marsh)", "(N. Okoro)"), (" I. Marsh", " N. Okoro")])
def test_who_wrote_it_may_stand_below_the_title_or_behind_the_time(names: tuple[str, str]) -> None:
    first, second = names
    below = first.startswith("(")
    text = f"{HEAD}Side A\nLamp Oil (3:45){chr(10) if below else ''}{first}\nRope (4:10){chr(10) if below else ''}{second}\n"
    record, problems = read_sleeve(text)
    assert problems == []
    found = [(track.title, track.composer, track.duration_s) for track in record.sides[0].tracks]
    assert found == [("Lamp Oil", "I. Marsh", 225.0), ("Rope", "N. Okoro", 250.0)]


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        (HEAD + "Side A: Lamp Oil / Rope\nSide B: Kelp; Eel Pie\n", [2, 3]),
        (HEAD + "Side A\nLamp Oil • Rope\nSide B\nKelp — Eel Pie\n", [3, 5]),
        (HEAD + "Side A: 1 Lamp Oil 2 Rope\n", [2]),
        (HEAD + "Side A\nLamp Oil 3:45\nRope 4:10\n  a) Planks\n  b) Nails\n", [5, 6]),
        (HEAD + "A1 Lamp Oil 3:45\n   Fiddle – Nan Okoro\nA2 Rope 4:10\n", [3]),
        (HEAD + "Side A\nLamp Oil 3:45\nRope* 4:10\n* first recording\n", [5]),
        (HEAD + "THIS SIDE\nLamp Oil 3:45\nRope 4:10\nTHAT SIDE\nKelp 5:02\nEel Pie 2:50\n", [2, 5]),
        (HEAD + "Side A\n10:15 to Osprook\nThe Boat at 4:10\nRope\nKelp\nEel Pie\n", [3, 4]),
        (HEAD + "Side A\nWharf Suite 7:55\nI. Lamp Oil\nII. Rope\nKelp 5:02\n", [4, 5]),
        (HEAD + "Side A\nLamp Oil 3:45 (1)\nRope 4:10 (2)\n", [3, 4]),
        (HEAD + "Side A\nLamp Oil 3:4\nRope 4:1O\nKelp 5:02\n", [3, 4]),
        (HEAD + 'Side A\nLamp Oil 3:45\nRope 4:10\nBonus 7"\n', [5]),
        ("Tallow by The Wicker Boats (1971)\nSide A\nLamp Oil 3:45\nRope 4:10\n", [1]),
    ],
)
def test_what_may_be_meant_otherwise_is_asked(text: str, asked: list[int]) -> None:
    """Read as it stands, and told: only the person knows."""
    _, problems = read_sleeve(text)
    assert [problem.line_number for problem in problems] == asked
    assert all(problem.used for problem in problems)


@pytest.mark.parametrize(
    "text",
    [
        HEAD + 'Side A\n"Lamp Oil / Rope"\nSide B\n"Kelp; Eel Pie"\n',
        HEAD + "A Lamp Oil / Rope\nB Kelp\n",
        HEAD + "Side A\nLamp Oil 3:45\nRope\nKelp 4:10\n",
        HEAD + "Side A\n2A Mooring Street 3:45\nRope 4:10\nKelp 5:02\n",
        HEAD + "Side A\nLamp Oil 3-45\nRope 4:10\nKelp 5:02\n",
        HEAD + "Side A\nI Rope 3:45\nI Kelp 4:10\n",
        HEAD + "Side A\nClosing Time 3:45\nWhat About 4:10\n",
        HEAD + "Side A\n99 Barrels 3:45\nRope 4:10\n7 Barrels 2:02\n",
        HEAD + "Side A\nStudy 1A\nStudy 1B\nRope\n",
        HEAD + "Side A\nRope (live) 3:45\nThe Boat at Four 4:10\nKelp\n",
        'Title: "Stand by Me"\nSide A\nLamp Oil 3:45\n',
    ],
)
def test_what_one_line_says_is_no_habit_and_nothing_is_asked(text: str) -> None:
    record, problems = read_sleeve(text)
    assert problems == []
    said = text.partition("Side A\n")[2] or text
    for track in (track for side in record.sides for track in side.tracks):
        assert track.title in said


@pytest.mark.parametrize("sign", ["-", "–", "—"])
def test_names_with_initials_behind_a_dash_wrote_the_tracks(sign: str) -> None:
    """They were taken for the titles, and the titles for artists."""
    lines = "".join(
        f"{title} {sign} {name} 3:45\n"
        for title, name in (("Lamp Oil", "I. Marsh"), ("Rope", "N. Okoro"), ("Kelp", "I. Marsh"))
    )
    for head, who in ((HEAD, "composer"), ("Tallow (1971)\n", "artist")):
        record, problems = read_sleeve(f"{head}Side A\n{lines}")
        assert problems == []
        assert [(track.title, getattr(track, who)) for track in record.sides[0].tracks] == [
            ("Lamp Oil", "I. Marsh"),
            ("Rope", "N. Okoro"),
            ("Kelp", "I. Marsh"),
        ]


def test_sides_numbered_by_discs_as_labels_print_them() -> None:
    text = HEAD + "".join(
        f"{label}\nLamp {label} 3:45\nRope {label} 4:10\n" for label in ("1A", "1B", "2A", "2B")
    )
    record, problems = read_sleeve(text)
    assert problems == []
    assert [(side.name, side.tracks[0].title) for side in record.sides] == [
        ("A", "Lamp 1A"),
        ("B", "Lamp 1B"),
        ("C", "Lamp 2A"),
        ("D", "Lamp 2B"),
    ]


def test_no_line_vanishes() -> None:
    """Every line that is not empty was read as something, in the order of the text."""
    for text in TEXTS.values():
        lines = read_text(text).lines
        assert [line.number for line in lines] == sorted(line.number for line in lines)
        assert {line.reads_as for line in lines if line.text} <= {"title", "side", "track", "field", "note"}


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


def test_a_title_too_many_under_a_heading_leaves_titles_and_times_as_they_stand() -> None:
    """Above the column of titles the names of record and artist may stand; below the heading of a side there is no such line."""
    record, problems = read_sleeve("Tallow\nSide A\nLamp Oil\nRope\nWick\n3:45\n4:10\n")
    assert [(track.title, track.duration_s) for track in record.sides[0].tracks] == [
        ("Lamp Oil", None),
        ("Rope", None),
        ("Wick", 225.0),
    ]
    assert [(problem.line_number, problem.line) for problem in problems] == [(7, "4:10")]


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
