"""Sleeve text: the forms people paste, what is reported, and the round trip."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.model.record import Record, Side, SleeveTrack
from sidekeep.shelf.sleeve.parts.headings import read_heading
from sidekeep.shelf.sleeve.parts.quoting import tidy
from sidekeep.shelf.sleeve.parts.times import read_time, write_time
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.shelf.sleeve.writing import write_sleeve

HEAD = "The Tin Roof - Rain on Slate (1974)\nSide A\n"


def one_track(line: str, head: str = HEAD) -> SleeveTrack:
    record, problems = read_sleeve(head + line)
    assert problems == []
    assert record.track_count == 1
    return record.sides[0].tracks[0]


# The first four forms are those of the project's contract; the rest are common practice, no source.
@pytest.mark.parametrize(
    "line",
    [
        "A1 Slow Gutter 3:45",
        "1. Slow Gutter (3'45\")",
        "Slow Gutter ....... 3:45",
        "The Tin Roof: Slow Gutter - 3.45",
        "Slow Gutter 3:45",
        "3:45 Slow Gutter",
        "1 3:45 Slow Gutter",
        "A1. Slow Gutter [3:45]",
        "A1) Slow Gutter – 3:45",
        "A-1 Slow Gutter 03:45",
        "A.1 Slow Gutter 3:45",
        "a1 Slow Gutter 3:45",
        "01 - Slow Gutter - 3:45",
        "#1 Slow Gutter 3:45",
        "(1) Slow Gutter 3:45",
        "Track 1: Slow Gutter 3:45",
        "• Slow Gutter 3:45",
        "1\tSlow Gutter\t3:45",
        "A1\tSlow Gutter\t\t3:45",
        "Slow Gutter\t3:45",
        "3:45\tSlow Gutter",
        "A1 Slow Gutter 3′45″",
        "A1 Slow Gutter 3’45”",
        "A1 Slow Gutter 3'45''",
        "A1 Slow Gutter 3 min 45 s",
        "A1 Slow Gutter 3m45s",
        "A1 Slow Gutter, 3:45",
        "A1 Slow Gutter | 3:45",
        "A1 Slow Gutter ____ 3:45",
        "A1 Slow Gutter…… 3:45",
        "A1 Slow Gutter ca. 3:45",
        'A1 "Slow Gutter" 3:45',
        "A1 “Slow Gutter” 3:45",
        "A1 Slow\u00a0Gutter\u20033:45",
        "\ufeffA1 Slow Gutter 3:45",
        "A1  The Tin Roof - Slow Gutter  3:45",
        "I. Slow Gutter 3:45",
    ],
)
def test_forms_of_a_track_line(line: str) -> None:
    track = one_track(line)
    assert (track.title, track.duration_s, track.artist, track.number) == ("Slow Gutter", 225.0, "", 1)


@pytest.mark.parametrize(
    ("line", "title", "duration_s"),
    [
        ("A1 Slow Gutter", "Slow Gutter", None),
        ("Slow Gutter", "Slow Gutter", None),
        ("A1 Slow Gutter --:--", "Slow Gutter", None),
        ("A1 7:19 4:08", "7:19", 248.0),
        ("A1 1873 5:05", "1873", 305.0),
        ("2. 9 and 9 Are 2:41", "9 and 9 Are", 161.0),
        ("A1 Long One 1:02:03", "Long One", 3723.0),
        ("A1 Etc. 3:45", "Etc.", 225.0),
        ("A1 What? (Live) 3:45", "What? (Live)", 225.0),
        ("A1 Wait... 3:45", "Wait", 225.0),
        ("A1 Half (Part 1) 3:45.5", "Half (Part 1)", 225.5),
        ("A1 Übergröße – Ночь 夜 3:45", "Übergröße – Ночь 夜", 225.0),
        ("A1 No. 9 3:45", "No. 9", 225.0),
    ],
)
def test_titles_that_look_like_something_else(line: str, title: str, duration_s: float | None) -> None:
    track = one_track(line)
    assert (track.title, track.duration_s) == (title, duration_s)


@pytest.mark.parametrize(
    ("heading", "side"),
    [
        ("Side One", "A"), ("SIDE B", "B"), ("Side 2", "B"), ("Face A", "A"), ("Face 2", "B"), ("Seite 2", "B"),
        ("Lado B", "B"), ("Cara A", "A"), ("Lato A", "A"), ("Kant 2", "B"), ("Side Two:", "B"), ("[Side B]", "B"),
        ("== SIDE B ==", "B"), ("--- Side Four ---", "D"), ("**Side B**", "B"), ("B-Side", "B"), ("A面", "A"),
        ("Première face", "A"), ("Side A (22:10)", "A"), ("SIDE II", "B"), ("B", "B"), ("Side H", "H"),
        ("Side AA", "AA"), ("Second side", "B"), ("Seite A:", "A"), ("Side #2", "B"),
    ],
)  # fmt: skip
def test_side_headings(heading: str, side: str) -> None:
    found = read_heading(heading)
    assert found is not None
    assert found.side == side


@pytest.mark.parametrize(
    "line", ["Side by Side", "Facework", "Sides of March", "Kantata", "Sidewalk 3:00", "I", "Record Shop"]
)
def test_titles_are_not_headings(line: str) -> None:
    assert read_heading(line) is None


def test_first_line_and_fields() -> None:
    text = (
        "\ufeffThe Tin Roof – Rain on Slate (1974)\r\nLabel: Nettlewick Discs\r\nCat. No.: GR 12-1\r\nCountry: Nowhere\r\n"
        'Speed: 33⅓ rpm\r\nSize: 12"\r\nGenre: Weather\r\nNotes: first pressing\r\n\r\nSide One\r\nA1 Slow Gutter 3:45\r\n'
    )
    record, problems = read_sleeve(text)
    assert problems == []
    assert (record.artist, record.title, record.year) == ("The Tin Roof", "Rain on Slate", 1974)
    assert (record.label, record.catalogue_number, record.country) == (
        "Nettlewick Discs",
        "GR 12-1",
        "Nowhere",
    )
    assert record.rpm == pytest.approx(100 / 3)
    assert (record.size_inch, record.genre, record.notes) == (12, "Weather", ("first pressing",))


def test_numbers_that_start_again_open_a_side() -> None:
    record, problems = read_sleeve("Band - Title\n\n1. One 3:00\n2. Two 3:10\n1. Three 4:00\n2. Four 4:10\n")
    assert problems == []
    assert [(side.name, len(side.tracks)) for side in record.sides] == [("A", 2), ("B", 2)]


def test_numbers_that_run_on_under_headings() -> None:
    record, problems = read_sleeve("Band - Title\nSide 1\n1. One 3:00\n2. Two 3:10\nSide 2\n3. Three 4:00\n")
    assert problems == []
    assert [(t.number, t.position) for t in record.sides[1].tracks] == [(1, "3")]


def test_positions_alone_make_the_sides_of_a_set() -> None:
    lines = [f"{side}{n} Song {side}{n} 2:0{n}" for side in "ABCDEFGH" for n in (1, 2)]
    record, problems = read_sleeve("Band - Box\n" + "\n".join(lines))
    assert problems == []
    assert [side.name for side in record.sides] == list("ABCDEFGH")


def test_second_disc_with_sides_a_and_b_again() -> None:
    text = "Band - Box\nDisc 1\nSide A\nOne 1:00\nSide B\nTwo 1:00\nDisc 2\nSide A\nThree 1:00\nSide B\nFour 1:00\n"
    record, problems = read_sleeve(text)
    assert problems == []
    assert [(side.name, side.tracks[0].title) for side in record.sides] == [
        ("A", "One"), ("B", "Two"), ("C", "Three"), ("D", "Four"),
    ]  # fmt: skip


@pytest.mark.parametrize("separator", [" - ", " – ", ": "])
def test_an_artist_for_each_track(separator: str) -> None:
    lines = [f"{n}. Band {n}{separator}Song {n} 3:0{n}" for n in range(1, 5)]
    record, problems = read_sleeve("Various Artists - Roof Songs (1980)\nSide A\n" + "\n".join(lines))
    assert problems == []
    assert [(t.artist, t.title) for t in record.sides[0].tracks] == [
        (f"Band {n}", f"Song {n}") for n in range(1, 5)
    ]


def test_title_slash_artist() -> None:
    lines = [f"A{n} Song {n} / Band {n} 3:0{n}" for n in range(1, 5)]
    record, _ = read_sleeve("Various - Roof Songs\n" + "\n".join(lines))
    assert [(t.artist, t.title) for t in record.sides[0].tracks] == [
        (f"Band {n}", f"Song {n}") for n in range(1, 5)
    ]


def test_a_dash_in_one_title_is_not_an_artist() -> None:
    record, _ = read_sleeve(HEAD + "A1 Over - Under 3:00\nA2 Plain 2:00\nA3 Other 2:30\n")
    assert [(t.artist, t.title) for t in record.sides[0].tracks][0] == ("", "Over - Under")


def test_movements_keep_their_work() -> None:
    lines = [
        f"A{n} Symphony No. 1: {word} {n}:00" for n, word in enumerate(("Allegro", "Adagio", "Presto"), 1)
    ]
    record, _ = read_sleeve("Town Orchestra - Symphonies\n" + "\n".join(lines))
    assert [t.title for t in record.sides[0].tracks][0] == "Symphony No. 1: Allegro"
    assert all(t.artist == "" for t in record.sides[0].tracks)


def test_composers_and_notes_in_brackets() -> None:
    text = (
        HEAD
        + "A1 One (Morrow/Teal) 3:00\nA2 Two (Live) 2:00\nA3 Three [bonus track] 1:00\nA4 Four (J. Morrow) 2:00\n"
    )
    tracks = read_sleeve(text)[0].sides[0].tracks
    assert [(t.title, t.composer, t.note) for t in tracks] == [
        ("One", "Morrow/Teal", ""), ("Two (Live)", "", ""), ("Three", "", "bonus track"), ("Four", "J. Morrow", ""),
    ]  # fmt: skip


def test_title_and_time_on_lines_of_their_own() -> None:
    record, problems = read_sleeve(HEAD + "1\nOne\n3:00\n2\nTwo\n2:30\n")
    assert problems == []
    assert [(t.title, t.duration_s) for t in record.sides[0].tracks] == [("One", 180.0), ("Two", 150.0)]


def test_what_cannot_be_read_is_shown_with_its_number() -> None:
    record, problems = read_sleeve(HEAD + "A1 One 3:00\nA2 Two 3:75\n?!§\nA4 Four 2:00\nA5 1:00\n")
    assert [(p.line_number, p.line) for p in problems] == [
        (4, "A2 Two 3:75"), (5, "?!§"), (6, "A4 Four 2:00"), (7, "A5 1:00"),
    ]  # fmt: skip
    assert [t.title for t in record.sides[0].tracks][:3] == ["One", "Two", "Four"]
    assert [t.duration_s for t in record.sides[0].tracks] == [180.0, None, 120.0, 60.0]


def test_credits_become_notes() -> None:
    record, problems = read_sleeve(HEAD + "A1 One 3:00\nProduced by Ann Slate\nTotal time: 3:00\n")
    assert problems == []
    assert record.notes == ("Produced by Ann Slate", "Total time: 3:00")


def test_csv_with_names() -> None:
    text = (
        "The Tin Roof - Rain on Slate (1974)\nSide,No,Title,Artist,Length\nA,1,\"Slow, Gutter\",,3:45\n"
        "A,2,Drip,Guest,2:10\nB,1,Moss,,190\nB,2,,,2:00\n"
    )  # fmt: skip
    record, problems = read_sleeve(text)
    assert record.artist == "The Tin Roof"
    assert [(s.name, t.title, t.artist, t.duration_s) for s in record.sides for t in s.tracks] == [
        ("A", "Slow, Gutter", "", 225.0), ("A", "Drip", "Guest", 130.0), ("B", "Moss", "", 190.0),
    ]  # fmt: skip
    assert [problem.line_number for problem in problems] == [6]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_rows_without_names(delimiter: str) -> None:
    rows = [("A1", "Slow Gutter", "3:45"), ("A2", "Drip", "2:10"), ("B1", "Moss", "3:10")]
    record, problems = read_sleeve("Band - Title\n" + "\n".join(delimiter.join(row) for row in rows))
    assert problems == []
    assert [(s.name, t.title, t.duration_s) for s in record.sides for t in s.tracks] == [
        ("A", "Slow Gutter", 225.0), ("A", "Drip", 130.0), ("B", "Moss", 190.0),
    ]  # fmt: skip


def test_json() -> None:
    data = {
        "artist": "The Tin Roof", "title": "Rain on Slate", "year": 1974,
        "sides": [
            {"side": "A", "tracks": [{"title": "Slow Gutter", "time": "3:45"}, {"title": "7:19", "time": 273.5}]},
            {"side": "B", "tracks": ["B1 Moss 3:10", {"mark": "B2", "title": "Fern", "artist": "Guest"}]},
        ],
    }  # fmt: skip
    record, problems = read_sleeve(json.dumps(data))
    assert problems == []
    assert (record.artist, record.title, record.year) == ("The Tin Roof", "Rain on Slate", 1974)
    assert [(s.name, t.title, t.artist, t.duration_s) for s in record.sides for t in s.tracks] == [
        ("A", "Slow Gutter", "", 225.0), ("A", "7:19", "", 273.5), ("B", "Moss", "", 190.0), ("B", "Fern", "Guest", None),
    ]  # fmt: skip


def test_broken_json_is_a_problem_not_a_failure() -> None:
    _, problems = read_sleeve('{"artist": "X",\n "sides": [}\n')
    assert problems[0].line_number == 2
    assert "JSON" in problems[0].reason


def test_empty_text_says_so() -> None:
    for text in ("", "\n \n", "\ufeff"):
        record, problems = read_sleeve(text)
        assert record == Record()
        assert len(problems) == 1


words = st.text(max_size=30).map(tidy)
"""What a line of a sleeve can hold: a text a person sees, on one line."""
lines = st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=30)
durations = st.one_of(st.none(), st.floats(0, 36000, allow_nan=False), st.integers(0, 36000).map(float))


@st.composite
def records(draw: st.DrawFn) -> Record:
    names = draw(st.lists(st.sampled_from("ABCDEFGHIJUVWXZ"), max_size=4, unique=True).map(sorted))
    sides = []
    for name in names:
        count = draw(st.integers(0, 4))
        tracks = tuple(
            SleeveTrack(
                number=n,
                title=draw(words),
                artist=draw(words),
                composer=draw(words),
                duration_s=draw(durations),
                position=draw(st.one_of(st.just(f"{name}{n}"), st.just(""), words)),
                note=draw(words),
            )
            for n in range(1, count + 1)
        )
        sides.append(Side(name=name, tracks=tracks))
    return Record(
        artist=draw(words),
        title=draw(words),
        year=draw(st.one_of(st.none(), st.integers(1800, 2099))),
        sides=tuple(sides),
        label=draw(words),
        catalogue_number=draw(words),
        country=draw(words),
        rpm=draw(st.sampled_from([None, 100 / 3, 45.0, 78.26, 50 / 3])),
        size_inch=draw(st.sampled_from([None, 7, 10, 12])),
        genre=draw(words),
        barcode=draw(words),
        notes=tuple(draw(st.lists(words.filter(bool), max_size=3))),
    )


@pytest.mark.parametrize(
    "odd",
    [
        {"title": "0M", "position": "A1"},
        {"title": "Lamp Oil", "artist": "Ropewalk 3:00; Saltmarsh 4:10"},
        {"title": "Lamp Oil", "note": "A1 Rope 3:45, A2 Lamp 4:10"},
    ],
)
def test_what_is_said_outright_below_a_track_is_no_part_of_a_layout(odd: dict[str, str]) -> None:
    unnamed = SleeveTrack(number=2, title="", position="A2", duration_s=0.0)
    record = Record(sides=(Side(name="A", tracks=(SleeveTrack(number=1, **odd), unnamed)),))
    assert read_sleeve(write_sleeve(record)) == (record, [])


@settings(max_examples=150, deadline=None)
@given(records())
def test_round_trip_of_any_record(record: Record) -> None:
    if record == Record():
        return
    again, problems = read_sleeve(write_sleeve(record))
    assert again == record
    assert problems == []


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.one_of(
            lines, st.sampled_from(["Side A", "A1 One 3:00", "1. Two", "3:00", "B2\tX\t2:00", "Disc 2"])
        ),
        max_size=8,
    )
)
def test_any_text_is_read_and_then_stable(parts: list[str]) -> None:
    record, _ = read_sleeve("\n".join(parts))
    if record != Record():
        assert read_sleeve(write_sleeve(record))[0] == record


@given(st.floats(0, 1e6, allow_nan=False))
def test_written_times_read_back(duration_s: float) -> None:
    assert read_time(write_time(duration_s)) == duration_s


@pytest.mark.parametrize(
    ("line", "rpm"),
    [("45 RPM", 45.0), ("STEREO 33\u2153 rpm", 100 / 3), ('12" / 45 r.p.m.', 45.0), ("78.26 rpm", 78.26), ("33 1/3 U/min", 100 / 3),
     ("(45 tours)", 45.0)],
)  # fmt: skip
@pytest.mark.parametrize("place", ["head", "side"])
def test_a_line_that_says_the_speed_alone_is_no_track(line: str, rpm: float, place: str) -> None:
    head = f"{line}\nSide A" if place == "head" else f"Side A\n{line}"
    record, problems = read_sleeve(f"The Wicker Boats - Rope (1984)\n{head}\nRope 5:00\nSide B\nEel 4:10\n")
    assert record.rpm == rpm
    assert [[track.title for track in side.tracks] for side in record.sides] == [["Rope"], ["Eel"]]
    assert problems == []


@pytest.mark.parametrize("line", ["45 RPM 3:10", "A2 45 RPM", "The 45 RPM", "78 revolutions", '"45 RPM"'])
def test_a_title_with_a_speed_in_it_stays_a_title(line: str) -> None:
    record, _ = read_sleeve(f"The Wicker Boats - Rope (1984)\nSide A\nA1 Rope 5:00\n{line}\n")
    assert len(record.sides[0].tracks) == 2
    assert record.rpm is None
