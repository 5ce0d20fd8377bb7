"""The audio CD: 1/75 s frames, addresses, limits (IEC 60908).

Figures as in guides to the standard: 44 100 Hz, 588 samples and 2352 bytes a frame, 99 tracks, 4 s minimum, 2 s
first pause, 74 and 79.8 minutes.
"""

from __future__ import annotations

import itertools
import re
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from sidekeep.copies.cd.discs import (
    CD_FRAMES_PER_S,
    LONG_DISC_FRAMES,
    MAXIMUM_TRACKS,
    MINIMUM_TRACK_FRAMES,
    SHORT_DISC_FRAMES,
    lay_out_discs,
    piece_frames,
)
from sidekeep.copies.tracks.cutting import CD_FRAME, SideAudio, address_text
from sidekeep.copies.tracks.tagging import TransferFacts, track_facts
from sidekeep.model.record import Record
from tests.copies.feeder import Feeder, record

RATE_HZ = 44_100


def test_the_numbers_of_the_standard() -> None:
    assert CD_FRAME * CD_FRAMES_PER_S == RATE_HZ
    assert CD_FRAME * 2 * 2 == 2352
    assert RATE_HZ * 16 * 2 == 1_411_200
    assert MAXIMUM_TRACKS == 99
    assert MINIMUM_TRACK_FRAMES * CD_FRAME == 176_400
    assert SHORT_DISC_FRAMES == 333_000
    assert round(79.8 * 60 * 75) == LONG_DISC_FRAMES
    assert address_text(359_849) == "79:57:74"
    assert address_text(360_000) == "80:00:00"


def sides_of(*seconds: list[float], rate_hz: int = RATE_HZ) -> list[SideAudio]:
    made = []
    for index, lengths in enumerate(seconds):
        edges = [0, *itertools.accumulate(round(each * rate_hz) for each in lengths)]
        made.append(
            SideAudio(
                side=chr(65 + index),
                rate_hz=rate_hz,
                channels=2,
                spans=tuple(itertools.pairwise(edges)),
                source_key="k",
            )
        )
    return made


def laid_out(
    sides: list[SideAudio], **options: int
) -> tuple[list[list[tuple[tuple[int, int], ...]]], list[str]]:
    facts = track_facts(Record(title="T"), sides, TransferFacts())
    discs, findings = lay_out_discs(sides, facts, **options)
    return [list(disc.tracks) for disc in discs], [finding.kind for finding in findings]


def test_an_ordinary_record_fits_one_disc() -> None:
    discs, findings = laid_out(sides_of([240.0] * 5, [300.0] * 4))
    assert [len(disc) for disc in discs] == [9]
    assert findings == []


def test_a_record_over_74_minutes_asks_for_a_longer_disc() -> None:
    discs, findings = laid_out(sides_of([1140.0] * 2, [1140.0] * 2))
    assert len(discs) == 1
    assert findings == ["cd-long"]


def test_what_just_fits_a_disc_is_on_one() -> None:
    """To the frame: 74 minutes ask for no longer disc, 79.8 fill one, and 99 tracks are as many as one has."""
    short_s, long_s = SHORT_DISC_FRAMES / CD_FRAMES_PER_S / 2, LONG_DISC_FRAMES / CD_FRAMES_PER_S / 2
    assert laid_out(sides_of([short_s], [short_s])) == ([[((0, 0),), ((1, 0),)]], [])
    assert laid_out(sides_of([long_s], [long_s])) == ([[((0, 0),), ((1, 0),)]], ["cd-long"])
    assert laid_out(sides_of([long_s], [long_s + 1 / 75]))[1] == ["cd-divided"]
    (disc,), _ = laid_out(sides_of([5.0] * 60, [5.0] * 39))
    assert len(disc) == 99


def test_a_set_is_divided_between_sides_as_evenly_as_can_be() -> None:
    discs, findings = laid_out(sides_of([1200.0], [1320.0], [1260.0], [1290.0]))
    assert discs == [[((0, 0),), ((1, 0),)], [((2, 0),), ((3, 0),)]]
    assert findings == ["cd-divided"]


def test_a_side_longer_than_a_disc_is_divided_between_tracks() -> None:
    discs, findings = laid_out(sides_of([1800.0, 1800.0, 1800.0]))
    assert [len(disc) for disc in discs] == [1, 2]
    assert "cd-divided" in findings
    _, findings = laid_out(sides_of([4900.0]))
    assert "cd-too-long" in findings


def test_more_than_99_tracks_are_divided() -> None:
    discs, _ = laid_out(sides_of([5.0] * 60, [5.0] * 60))
    assert [len(disc) for disc in discs] == [60, 60]
    discs, _ = laid_out(sides_of([5.0] * 150))
    assert all(len(disc) <= 99 for disc in discs)
    assert sum(len(disc) for disc in discs) == 150


def test_tracks_under_four_seconds_are_joined_to_the_next() -> None:
    discs, findings = laid_out(sides_of([2.0, 60.0, 1.0, 1.0], [3.9, 60.0, 2.0]))
    assert discs == [[((0, 0), (0, 1)), ((0, 2), (0, 3), (1, 0)), ((1, 1), (1, 2))]]
    assert findings == ["cd-short-track"] * 3
    assert laid_out(sides_of([2.0]))[1] == ["cd-too-short"]


@given(st.lists(st.lists(st.integers(1, 900), min_size=1, max_size=6), min_size=1, max_size=6))
def test_every_disc_keeps_the_limits_and_no_track_is_lost(lengths: list[list[int]]) -> None:
    sides = sides_of(*[[float(each) for each in side] for side in lengths])
    frames = piece_frames(sides)
    discs, _ = lay_out_discs(sides, track_facts(Record(), sides, TransferFacts()))
    pieces = [piece for disc in discs for track in disc.tracks for piece in track]
    assert pieces == sorted(frames)
    for disc in discs:
        assert disc.length_frames <= LONG_DISC_FRAMES
        assert 1 <= len(disc.tracks) <= 99
        whole = [sum(frames[piece] for piece in track) for track in disc.tracks]
        assert all(length >= MINIMUM_TRACK_FRAMES for length in whole) or len(whole) == 1


def test_the_cue_sheet_of_a_cd(tmp_path: Path) -> None:
    """Fields that become CD-Text, one file per track, CR LF, a 13-digit catalogue number, ISRC as stored."""
    feeder = Feeder(
        tmp_path,
        rate_hz=RATE_HZ,
        lengths=((200_000, 190_000), (180_000,)),
        record=record((('Say "Ahoy"', "Grüße"), ("x" * 200,)), barcode="236000291456", genre="Folk"),
    )
    plan = feeder.plan("cd", facts=TransferFacts(isrcs={(0, 1): "AA6Q72000047"}))
    sheet = plan.texts["cd/Tallow Wharf Almanac.cue"].decode("utf-8")
    assert sheet.count("\r\n") == sheet.count("\n")
    lines = [line.strip() for line in sheet.splitlines()]
    assert lines[:5] == [
        'REM GENRE "Folk"',
        "REM DATE 1971",
        "CATALOG 0236000291456",
        'PERFORMER "The Wicker Boats"',
        'TITLE "Tallow Wharf Almanac"',
    ]
    assert "TITLE \"Say 'Ahoy'\"" in lines
    assert "ISRC AA6Q72000047" in lines
    assert f'TITLE "{"x" * 80}"' in lines
    assert lines.count("INDEX 01 00:00:00") == 3
    written = {path.name for path in (each.path for each in feeder.copies("cd")) if path.suffix == ".wav"}
    assert set(re.findall(r'FILE "(.+)" WAVE', sheet)) == set(written)
