"""No line of a sleeve vanishes, and what each was read as."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.cli.main import main
from sidekeep.errors import SleeveError
from sidekeep.model.record import Record, Side, SleeveTrack
from sidekeep.service.choices.sleeves import load_sleeve
from sidekeep.shelf.sleeve.decoding import MAX_CHARACTERS, MAX_LINE, decode_sleeve
from sidekeep.shelf.sleeve.parts.quoting import unquote
from sidekeep.shelf.sleeve.reading import read_sleeve, read_text
from sidekeep.shelf.sleeve.writing import write_sleeve

HEAD = "The Slate Weavers - Rain on Slate (1974)\n"


def titles(text: str) -> list[tuple[str, str]]:
    record, problems = read_sleeve(text)
    assert problems == []
    return [(side.name, track.title) for side in record.sides for track in side.tracks]


def kinds(text: str) -> list[str]:
    return [line.reads_as for line in read_text(text).lines]


@pytest.mark.parametrize("sign", ["•", "–", "—", "-", "*", "■", "►", "→", "♪"])
@pytest.mark.parametrize("head", [HEAD, HEAD + "Side A\n", ""])
def test_bullets_make_tracks(sign: str, head: str) -> None:
    assert titles(f"{head}{sign} Lamp Oil\n{sign} Wick 3:10\n") == [("A", "Lamp Oil"), ("A", "Wick")]


@pytest.mark.parametrize(
    "text",
    [
        "A\tLamp\t3:10\nB\tOil\t2:50\n",
        "A Lamp 3:10\nB Oil 2:50\n",
        "A Lamp\nB Oil\n",
        "A: Lamp\nB: Oil\n",
        "A / Lamp\nB / Oil\n",
        "Side A: Lamp 3:10\nSide B: Oil 2:50\n",
        "Side A: Lamp\nSide B: Oil\n",
        "A\nLamp\nB\nOil\n",
        "A1\tLamp\nB1\tOil\n",
    ],
)
def test_a_single_in_every_way_it_is_typed(text: str) -> None:
    assert titles(HEAD + text) == [("A", "Lamp"), ("B", "Oil")]


def test_an_article_is_no_side() -> None:
    assert titles(HEAD + "A Lamp at Dawn\nOil\nBe Still\n")[0] == ("A", "A Lamp at Dawn")
    assert titles(HEAD + "Side A\nA Lamp at Dawn\nB Is for Boat\n") == [
        ("A", "A Lamp at Dawn"),
        ("A", "B Is for Boat"),
    ]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("Lamp\n77\nOil\n", ["Lamp", "77", "Oil"]),
        ("Lamp\nOil\n77\n", ["Lamp", "Oil", "77"]),
        ("A1 Lamp\nA2 77 3:01\nA3 9\n", ["Lamp", "77", "9"]),
        ("1\nLamp\n2\n77\n3\nOil\n", ["Lamp", "77", "Oil"]),
        ("Lamp 3:10\n8\nOil 2:50\n", ["Lamp", "8", "Oil"]),
    ],
)
def test_titles_that_are_bare_numbers(text: str, wanted: list[str]) -> None:
    assert [title for _, title in titles(HEAD + "Side A\n" + text)] == wanted


def test_lines_below_a_full_first_line_are_tracks_when_tracks_go_on_from_them() -> None:
    assert [title for _, title in titles(HEAD + "Lamp\nOil\nWick 3:10\n")] == ["Lamp", "Oil", "Wick"]


def test_a_genre_given_twice_is_both_and_a_label_given_twice_is_told() -> None:
    record, problems = read_sleeve(
        HEAD + "Genre: Folk\nGenre: Shanty\nLabel: Osprook\nLabel: Umberlatch\nSide A\nLamp\n"
    )
    assert record.genre == "Folk; Shanty"
    assert record.label == "Umberlatch"
    assert [(problem.line_number, problem.used) for problem in problems] == [(5, True)]


# Quotes: those around a title go, inner ones and backslashes stay.
@pytest.mark.parametrize(
    ("line", "title"),
    [
        ('A1 "Lamp Oil" 3:10', "Lamp Oil"),
        ("A1 “Lamp Oil” 3:10", "Lamp Oil"),
        ("A1 «Lamp Oil» 3:10", "Lamp Oil"),
        ('A1 Say "Ahoy" Twice 3:10', 'Say "Ahoy" Twice'),
        ('A1 "Say "Ahoy" Twice" 3:10', 'Say "Ahoy" Twice'),
        ('A1 "Ahoy" and "Avast" 3:10', '"Ahoy" and "Avast"'),
        ('A1 ""Ahoy"" 3:10', '"Ahoy"'),
        (r'A1 "C:\new\tin" 3:10', r"C:\new\tin"),
        (r"A1 Back\slash \u0041 3:10", r"Back\slash \u0041"),
        ('A1 12" Mix 3:10', '12" Mix'),
        ("A1 Rock 'n' Reel 3:10", "Rock 'n' Reel"),
    ],
)
def test_quotes_around_a_title_go_and_all_else_stays(line: str, title: str) -> None:
    assert titles(HEAD + "Side A\n" + line) == [("A", title)]
    record, _ = read_sleeve(HEAD + "Side A\n" + line)
    assert read_sleeve(write_sleeve(record)) == (record, [])


def test_unquote_knows_a_pair_from_two() -> None:
    assert unquote('"Yes"') == "Yes"
    assert unquote('"Yes" and "No"') is None
    assert unquote('"') is None
    assert unquote('""') == ""


def test_every_line_says_what_it_was_read_as() -> None:
    text = (
        HEAD + "Label: Osprook\n\nSide A\n-----\nA1 Lamp Oil 3:45\n  composer: I. Marsh\n"
        "A2\nWick\n2:10\nProduced by Ann Slate\n?!§\nYear: soon\nA5 Reed 3:75\n"
    )
    lines = read_text(text).lines
    assert [line.reads_as for line in lines] == [
        "title", "field", "blank", "side", "blank", "track", "track", "track", "track", "track", "note", "unread",
        "unread", "track",
    ]  # fmt: skip
    assert [(line.side, line.track) for line in lines if line.reads_as == "track"] == [
        ("A", 1), ("A", 1), ("A", 2), ("A", 2), ("A", 2), ("A", 3),
    ]  # fmt: skip
    assert [doubt.code for line in lines for doubt in line.doubts] == [
        "no-words", "no-value", "time-impossible", "number-jumps",
    ]  # fmt: skip
    assert [line.number for line in lines] == list(range(1, 15))


def test_columns_named_by_a_line_of_ones_own() -> None:
    rows = "Columns: skip; side; mark; title; time\n7|A|A1|Lamp, Oil|3:45\n8|B|B1|Wick|70\n"
    record, problems = read_sleeve(HEAD + rows)
    assert problems == []
    assert [(s.name, t.title, t.duration_s) for s in record.sides for t in s.tracks] == [
        ("A", "Lamp, Oil", 225.0),
        ("B", "Wick", 70.0),
    ]


def test_a_column_of_discs_alone_makes_the_sides() -> None:
    record, problems = read_sleeve("Boats - Tallow\n\ndisc;title;time\n1;Lamp Oil;3:45\n2;Wick;4:10\n")
    assert problems == []
    assert [(side.name, [track.title for track in side.tracks]) for side in record.sides] == [
        ("A", ["Lamp Oil"]),
        ("C", ["Wick"]),
    ]


def test_a_mark_that_no_line_could_begin_with_is_kept_as_it_is_printed() -> None:
    record, _ = read_sleeve("Boats - Tallow\n\nmark;title;time\nX-1;Lamp Oil;3:45\nA2;Wick;4:10\n")
    tracks = [track for side in record.sides for track in side.tracks]
    assert [(track.title, track.position) for track in tracks] == [("Lamp Oil", "X-1"), ("Wick", "A2")]


def test_columns_and_keys_that_are_not_used_are_told() -> None:
    reading = read_text("Side,Title,Stars\nA,Lamp,5\n")
    assert [doubt.code for line in reading.lines for doubt in line.doubts] == ["column-unread"]
    reading = read_text(json.dumps({"title": "X", "rating": 5, "tracks": [{"title": "Lamp", "stars": 4}]}))
    assert sorted(doubt.code for line in reading.lines for doubt in line.doubts) == [
        "key-unread",
        "key-unread",
    ]


def test_a_title_that_looks_like_a_row_of_names_is_written_so_that_it_reads_back() -> None:
    record, _ = read_sleeve("0\n\n\n\n\n\n\n\n\n,TITEL,TIME")
    assert read_sleeve(write_sleeve(record))[0] == record


def test_a_number_for_a_time_is_seconds() -> None:
    record, _ = read_sleeve(json.dumps([{"title": "Lamp", "time": 45000}]))
    assert record.sides[0].tracks[0].duration_s == 45000.0


def test_a_quote_that_is_never_closed_swallows_no_row() -> None:
    record, _ = read_sleeve('Side,Title,Time\nA,"Lamp,3:10\nA,Oil,2:50\nB,Wick,1:00\n')
    assert [track.title for side in record.sides for track in side.tracks][-2:] == ["Oil", "Wick"]


lines = st.text(alphabet=st.characters(exclude_characters="\n\r"), max_size=40)
pieces = st.sampled_from(
    [
        "Side A", "A1 One 3:00", "1. Two", "3:00", "B2\tX\t2:00", "Disc 2", "7", "99", "• Lamp", "A Lamp", "B Oil", "Label: X",
        "Genre:", "  artist: Nan", "  number: ²", "Side,Title", "Title,Time", "A,Lamp", 'Columns: title, time', "Side B: Wick", "²", "III. Three",
        '"', '""', '"a" "b"', "\\", "Total 3:00", "Produced by X", "-", "?", "...", "Side ²", "Disc ³", "Year: ²", "Speed: ²²", "A² Lamp",
    ]
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(st.one_of(lines, pieces), max_size=10))
def test_no_line_of_any_text_vanishes(parts: list[str]) -> None:
    text = "\n".join(parts)
    reading = read_text(text)
    for line in reading.lines:
        if any(sign.isalnum() for sign in line.text):
            assert line.reads_as != "blank", line
        if line.reads_as == "unread":
            assert line.doubts, line
        if line.reads_as == "track":
            side = reading.record.side(line.side)
            assert side is not None
            assert 1 <= line.track <= len(side.tracks)
    held = {(side.name, n) for side in reading.record.sides for n in range(1, len(side.tracks) + 1)}
    assert held == {(line.side, line.track) for line in reading.lines if line.reads_as == "track"}


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                [
                    "title",
                    "artist",
                    "sides",
                    "tracks",
                    "discs",
                    "side",
                    "time",
                    "mark",
                    "year",
                    "x",
                    "speed",
                    "note",
                ]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=20,
)


@settings(max_examples=300, deadline=None)
@given(JSON)
def test_json_of_any_shape_is_read_or_told(data: object) -> None:
    reading = read_text(json.dumps(data))
    assert all(line.doubts for line in reading.lines if line.reads_as == "unread")


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '{"sides":' * 20_000, '{"a": NaN}', '[{"title": "\\ud800"}]', "[{}]", "{}"]
)
def test_json_nested_far_too_deep_or_odd(text: str) -> None:
    reading = read_text(text)
    assert reading.lines
    assert all("\ud800" not in line.text for line in reading.lines)


# Bounds: a sleeve is a page or two.
def test_a_line_or_a_text_far_too_long_costs_no_time() -> None:
    for sign in (".", "\t", "\u00a0"):
        reading = read_text(HEAD + "Side A\n" + sign * (MAX_CHARACTERS - 100) + "\nLamp 3:10\n")
        assert [doubt.code for line in reading.lines for doubt in line.doubts] == ["too-long"]
        assert [track.title for track in reading.record.sides[0].tracks] == ["Lamp"]
    many = "\n".join("." * (MAX_LINE - 1) + "9" for _ in range(80))
    assert len(read_text(many).lines) == 80
    with pytest.raises(SleeveError, match="characters"):
        read_text("a" * (MAX_CHARACTERS + 1))


def test_a_file_that_is_no_sleeve_is_refused_in_one_line(tmp_path: Path) -> None:
    big = tmp_path / "big.txt"
    big.write_bytes(b"Lamp\n" * 2_000_000)
    for path, words in ((big, "longer than"), (tmp_path, "folder"), (Path("/dev/zero"), "device")):
        with pytest.raises(SleeveError, match=words):
            load_sleeve(path)


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"]
)
def test_the_usual_encodings(encoding: str) -> None:
    text = HEAD + "Side A\nGrüße vom Kai 4:10\nSlate 3:00\n"
    assert decode_sleeve(text.encode(encoding)).removeprefix("\ufeff") == text


def test_plan_and_adopt_tell_what_was_not_read_and_keep_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sleeve = tmp_path / "sleeve.txt"
    text = HEAD + "Year: soon\nSide A\nA1 Lamp 3:75\n?!§\n"
    sleeve.write_text(text, "utf-8")
    assert main(["shelf", "--shelf", str(tmp_path / "shelf"), "plan", str(sleeve)]) == 1
    told = capsys.readouterr().out
    assert told.count("Look: Line") == 3
    (kept,) = (tmp_path / "shelf").glob("*/sleeve.txt")
    assert kept.read_text("utf-8") == text


def test_a_title_that_ends_with_a_quote_is_written_and_read_back() -> None:
    record = read_text('2\n²\t!"').record
    assert record.sides[0].tracks[0].title == '!"'
    assert read_text(write_sleeve(record)).record == record


LETTERS = [chr(ord("A") + n) for n in range(26)]


def test_a_box_of_thirteen_discs_is_written_and_read_back() -> None:
    """Side I is not the first one, nor side V the fifth, where sides H and U are there."""
    text = "Box\n" + "".join(f"Disc {d}\nSide A\nOil {d} 1:00\nSide B\nTar {d} 1:00\n" for d in range(1, 14))
    record, _ = read_sleeve(text)
    again, problems = read_sleeve(write_sleeve(record))
    assert [side.name for side in again.sides] == LETTERS
    assert (again, problems) == (record, [])
    assert [side for side, _ in titles(HEAD + "Side I\nLamp\nSide II\nOil\n")] == ["A", "B"]
    assert [side for side, _ in titles("Box\n" + "".join(f"Side {s}\nLamp\n" for s in LETTERS))] == LETTERS


@pytest.mark.parametrize(
    "text",
    [
        "Side A\nA1 Lamp\nSide AA\nAA1 Oil\n",
        "Side A\nLamp\nAA Side\nOil\n",
        "A1 Lamp\nAA1 Oil\n",
        "A Lamp\nAA Oil\n",
        "A\tLamp\t3:10\nAA\tOil\t2:50\n",
    ],
)
def test_a_single_with_two_first_sides(text: str) -> None:
    assert titles(HEAD + text) == [("A", "Lamp"), ("B", "Oil")]


def test_doubled_letters_of_a_set_go_on_behind_the_plain_ones() -> None:
    text = "".join(f"Side {side}\nSong {side}\n" for side in ("A", "B", "AA", "BB"))
    assert [side for side, _ in titles(HEAD + text)] == ["A", "B", "C", "D"]


@pytest.mark.parametrize(
    ("line", "title", "duration_s"),
    [
        ("1. Lamp 3 : 45", "Lamp", 225.0),
        ("1. Lamp 3,45", "Lamp", 225.0),
        ("１．灯油　３：４５", "灯油", 225.0),
        ("１　灯油 ３：４５", "灯油", 225.0),
        ("A1 حبل ٤:١٠", "حبل", 250.0),
        ("① Lamp 3:45", "Lamp", 225.0),
        ("1️⃣ Lamp 3:45", "Lamp", 225.0),
        ("1. Lamp (Part 1) (3:45) [live]", "Lamp (Part 1) [live]", 225.0),
        ("1. Rope &amp; Tar&nbsp;3:45", "Rope & Tar", 225.0),
        ("1. Rock &#39;n&#39; Rope 3:45", "Rock 'n' Rope", 225.0),
        ("<li><a href=x>Lamp</a> <span>3:45</span></li>", "Lamp", 225.0),
        ("<tr><td>A1</td><td>Lamp</td><td>3:45</td></tr>", "Lamp", 225.0),
        ("1. **Lamp** (3:45)", "Lamp", 225.0),
        ("# Lamp 3:45", "Lamp", 225.0),
        ("A1 La\u00admp\u202e 3:45", "Lamp", 225.0),
        ("A1 می\u200cخواهم 3:45", "می\u200cخواهم", 225.0),
        ('A1 "Rope &amp; Tar" 3:45', "Rope &amp; Tar", 225.0),
        ("A1 &lt;Rope&gt; <oil> 3:45", "<Rope> <oil>", 225.0),
        ("A1 F**k 2**3 ٣ 3:45", "F**k 2**3 ٣", 225.0),
        ("7. Side B 3:45", "Side B", 225.0),
    ],
)
def test_lists_as_they_are_pasted_from_pages_and_other_scripts(
    line: str, title: str, duration_s: float
) -> None:
    side = read_sleeve(f"{HEAD}Side A\n{line}\n")[0].sides
    assert [(track.title, track.duration_s) for track in side[0].tracks] == [(title, duration_s)]
    assert len(side) == 1


def test_headings_in_hebrew_arabic_and_of_marked_up_text() -> None:
    for first, second in (("צד א", "צד ב"), ("الوجه الأول", "الوجه الثاني"), ("## Side A", "## Side B")):
        assert titles(f"{HEAD}{first}\nA\u0301 3:00\n{second}\nLamp 3:00\n") == [
            ("A", "\u00c1"),
            ("B", "Lamp"),
        ]
    table = "| # | Title | Time |\n|---|:---|---:|\n| 1 | Lamp | 3:00 |\n| 2 | Oil | 3:00 |\n"
    assert titles(f"# The Slate Weavers - Rain (1974)\n{table}") == [("A", "Lamp"), ("A", "Oil")]
    assert read_sleeve("Tracklist:\n1. Lamp 3:00\n")[0].title == ""


def test_what_was_cleaned_off_a_paste_is_kept_where_the_record_says_it() -> None:
    """A title that holds an entity, a tag or stars is written so that it reads back."""
    for odd in ("A &amp; B", "<b>Oil</b>", "**Oil**", "== Oil ==", "# Oil", "Oil ٤:١٠", "Tracklist", "① Oil"):
        record = Record(
            artist=odd,
            title=odd,
            label=odd,
            sides=(Side(name="A", tracks=(SleeveTrack(number=1, title=odd),)),),
        )
        assert read_sleeve(write_sleeve(record)) == (record, [])


def test_a_work_listed_beside_its_parts_is_told() -> None:
    text = HEAD + "Side A\n1. Suite 20:00\n  a) First 5:00\n  b) Second 5:00\n  c) Third 10:00\n"
    problems = read_sleeve(text)[1]
    assert [(problem.line_number, problem.used) for problem in problems] == [(3, True)]
    assert "3 tracks after it" in problems[0].reason
    assert read_sleeve(HEAD + "1. Lamp 2:00\n2. Oil 1:00\n3. Wick 1:00\n")[1] == []
    record = read_sleeve(text)[0]
    assert read_sleeve(write_sleeve(record)) == (record, [])


@pytest.mark.parametrize(
    "line", ["A1 Lamp Oil 3;45", "A1 Lamp Oil (3;45)", "A1 Lamp Oil\n3;45", "3:45 Lamp Oil"]
)
def test_a_colon_that_slipped_is_one(line: str) -> None:
    record, problems = read_sleeve(HEAD + "Side A\n" + line + "\nA2 Wick 2:10\n")
    assert problems == []
    assert [(track.title, track.duration_s) for track in record.sides[0].tracks][0] == ("Lamp Oil", 225.0)


@pytest.mark.parametrize(
    ("lines", "asked"),
    [
        ("A1 Lamp Oil 3h45\nA2 Wick\nA3 Reed", ["3:45"]),
        ("A1 Lamp Oil 345\nA2 Wick 2:10\nA3 Reed 4:00", ["3:45"]),
        ('A1 "Lamp Oil 345"\nA2 Wick 2:10\nA3 Reed 4:00', []),
        ("A1 Lamp Oil 345\nA2 Wick\nA3 Reed", []),  # no track has a time, so this need be none
        ("A1 Lamp Oil 1975\nA2 Wick 2:10\nA3 Reed 4:00", []),  # no minute has 75 seconds
        ("A1 Lamp Oil 345 3:10\nA2 Wick 2:10\nA3 Reed 4:00", []),
    ],
)
def test_a_title_that_ends_like_a_time_stays_and_is_asked_about(lines: str, asked: list[str]) -> None:
    reading = read_text(HEAD + "Side A\n" + lines + "\n")
    first = reading.record.sides[0].tracks[0]
    assert first.title.startswith("Lamp Oil ")
    assert first.duration_s in (None, 190.0)
    doubts = [doubt for line in reading.lines for doubt in line.doubts]
    assert [doubt.facts["time"] for doubt in doubts if doubt.code == "time-perhaps"] == asked
    assert len(doubts) == len(asked)
    again = read_text(write_sleeve(reading.record))  # who says a title outright means it
    assert [doubt.code for line in again.lines for doubt in line.doubts] == []
    assert again.record.sides == reading.record.sides
