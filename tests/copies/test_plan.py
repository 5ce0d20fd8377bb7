"""What a plan says before anything is written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sidekeep.copies.kinds.table import KINDS, parse_kinds
from sidekeep.copies.sheets.cue import cue_time
from sidekeep.copies.sheets.playlist import PlaylistEntry, playlist_text
from sidekeep.copies.tracks.naming import NamingRules
from sidekeep.copies.tracks.tagging import TransferFacts, disc_of_side
from sidekeep.errors import ParameterError
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.tags.tag_set import TagSet
from sidekeep.model.recipe import CopySettings
from tests.copies.feeder import Feeder, record


def test_kinds_are_parsed_in_the_order_of_the_table() -> None:
    assert parse_kinds("portable, LOSSLESS,portable") == ("lossless", "portable")
    assert parse_kinds("all") == tuple(KINDS)
    assert parse_kinds(["cd"]) == ("cd",)
    with pytest.raises(ParameterError, match="no kind of copies is called 'losless'; allowed: lossless"):
        parse_kinds("losless")
    with pytest.raises(ParameterError, match="no kind of copies was given"):
        parse_kinds(" , ")


@pytest.mark.parametrize(
    ("kind", "take_rate_hz", "rate_hz"),
    [
        ("lossless", 192_000, 192_000),
        ("portable", 96_000, 48_000),
        ("portable", 88_200, 44_100),
        ("portable", 176_400, 44_100),
        ("portable", 44_100, 44_100),
        ("portable", 32_000, 48_000),
        ("phone", 44_100, 48_000),
        ("cd", 96_000, 44_100),
    ],
)
def test_rates(kind: str, take_rate_hz: int, rate_hz: int) -> None:
    assert KINDS[kind].rate_hz(take_rate_hz) == rate_hz


def test_tags_of_a_track(tmp_path: Path) -> None:
    feeder = Feeder(
        tmp_path,
        record=record(
            label="Umberlatch",
            catalogue_number="Q 12",
            country="Norland",
            genre="Folk; Shanty",
            rpm=33.333,
            barcode="2006381333933",
        ),
    )
    facts = TransferFacts(comment="fine line stylus, 2026-11-25", isrcs={(0, 1): "AA-6Q7-20-00047"})
    planned = feeder.plan("lossless", facts=facts).files[1]
    assert planned.tags == TagSet(
        title="Grüße",
        artists=("The Wicker Boats",),
        album="Tallow Wharf Almanac",
        album_artists=("The Wicker Boats",),
        artist_sorts=("Wicker Boats, The",),
        album_artist_sorts=("Wicker Boats, The",),
        track_number=2,
        track_total=3,
        disc_number=1,
        disc_total=1,
        side="A",
        position="A2",
        date="1971",
        original_date="1971",
        genres=("Folk", "Shanty"),
        label="Umberlatch",
        catalogue_number="Q 12",
        country="Norland",
        media="Vinyl",
        rpm=33.333,
        comment="fine line stylus, 2026-11-25",
        isrc="AA6Q72000047",
        barcode="2006381333933",
    )


def test_tracks_the_sleeve_does_not_name_and_long_records(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, record=record(((), ())), lengths=((5_000,) * 60, (5_000,) * 60))
    paths = [planned.path for planned in feeder.plan("lossless").files]
    assert paths[0] == "lossless/001 Side A, track 1.flac"
    assert paths[119] == "lossless/120 Side B, track 60.flac"
    assert len(set(paths)) == 120


def test_files_of_one_sound_wait_in_places_of_their_own(tmp_path: Path) -> None:
    """A record of one track is the same sound as tracks, as a side and as a whole."""
    feeder = Feeder(tmp_path, record=record((("Alone",),)), lengths=((200_000,),))
    places = [
        (planned.alone_key, planned.suffix)
        for planned in feeder.plan("lossless,record,cd,cd-image,portable").files
    ]
    assert len(places) == 5
    assert len(set(places)) == len(places)


def test_two_tracks_of_one_title_get_two_files(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, record=record((("Reel", "reel"), ("REEL",))))
    plan = feeder.plan("lossless", naming=NamingRules(track="{title}"))
    assert [planned.path for planned in plan.files] == [
        "lossless/Reel.flac",
        "lossless/reel (2).flac",
        "lossless/REEL (3).flac",
    ]


@pytest.mark.parametrize(
    ("changes", "options", "message"),
    [
        ({"titles": (("Lamp\x00Oil", "x"), ("y",))}, {}, "title .*holds a NUL"),
        ({"label": "\ud800"}, {}, "half a character"),
        ({"barcode": "2006381333934"}, {}, "one digit is wrong"),
        ({}, {"facts": TransferFacts(isrcs={(0, 0): "XX-1"})}, "ISRC 'XX-1' must be"),
        ({}, {"lossy_ceiling_dbtp": 0.1}, "must lie between"),
        ({}, {"lossy_ceiling_dbtp": -12.1}, "must lie between"),
    ],
)
def test_what_cannot_be_written_is_told_before_anything_is(
    tmp_path: Path, changes: dict[str, object], options: dict[str, object], message: str
) -> None:
    feeder = Feeder(tmp_path, record=record(**changes))  # type: ignore[arg-type]
    with pytest.raises(ParameterError, match=message):
        feeder.plan("lossless", **options)
    assert not list(tmp_path.iterdir())


def test_sides_are_told_apart_by_their_names(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    feeder.sides[1] = replace(feeder.sides[1], side="A")
    with pytest.raises(ParameterError, match="sides A, A must have different names"):
        feeder.plan("lossless")
    feeder.sides.clear()
    with pytest.raises(ParameterError, match="no side was given"):
        feeder.plan("lossless")


def test_a_master_without_takes_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="needs the takes"):
        Feeder(tmp_path).plan("master")


def test_discs_of_a_set() -> None:
    assert [disc_of_side(side, index) for index, side in enumerate("ABCDEFGH")] == [1, 1, 2, 2, 3, 3, 4, 4]
    assert [disc_of_side(side, index) for index, side in enumerate(["1", "2", "3"])] == [1, 1, 2]


def test_keys_follow_what_they_stand_for(tmp_path: Path) -> None:
    plan = Feeder(tmp_path).plan("lossless,portable")
    retitled = Feeder(tmp_path, record=record((("Neu", "Grüße"), ("Tide Table",)))).plan("lossless,portable")
    assert [each.audio_key for each in retitled.files] == [each.audio_key for each in plan.files]
    assert [a.tag_key == b.tag_key for a, b in zip(plan.files, retitled.files, strict=True)] == (
        [False, True, True] * 2
    )
    retaken = Feeder(tmp_path, key="other").plan("lossless,portable")
    assert not {each.audio_key for each in plan.files} & {each.audio_key for each in retaken.files}
    flipped = Feeder(tmp_path)
    flipped.sides[1] = replace(flipped.sides[1], source_key="again")
    for old, new in zip(plan.files, flipped.plan("lossless,portable").files, strict=True):
        # Lossy copies of a record share their level, so a new side B means new copies of side A too.
        assert (old.audio_key == new.audio_key) == (old.kind == "lossless" and old.pieces[0][0] == 0)
        # The record's loudness is in every tag.
        assert old.tag_key != new.tag_key
    reseeded = Feeder(tmp_path).plan("lossless,portable", dither_seed=2)
    assert plan.files[0].audio_key != reseeded.files[0].audio_key
    lowered = Feeder(tmp_path).plan("lossless,portable", lossy_ceiling_dbtp=-12.0)
    for old, new in zip(plan.files, lowered.files, strict=True):
        assert (old.audio_key == new.audio_key) == (old.kind == "lossless")


def test_keys_of_tags_follow_how_they_are_written(tmp_path: Path) -> None:
    """ID3v2.3 is written into MP3, WAV and AIFF alone; a picture goes into a CD's tracks where that is wished for."""
    feeder, kinds = Feeder(tmp_path), "lossless,portable,wav,aiff,cd"

    def tag_keys(**options: Any) -> dict[str, str]:
        return {each.kind: each.tag_key for each in feeder.plan(kinds, **options).files}

    def differ(one: dict[str, str], other: dict[str, str]) -> set[str]:
        return {kind for kind, key in one.items() if other[kind] != key}

    pictures = (Picture(kind="front", data=b"drawn", width=10, height=10),)
    plain, pictured = tag_keys(), tag_keys(pictures=pictures)
    assert differ(plain, tag_keys(settings=CopySettings(old_tags=True))) == {"portable", "wav", "aiff", "cd"}
    assert differ(plain, pictured) == {"lossless", "portable", "wav", "aiff"}
    with_cd = tag_keys(pictures=pictures, settings=CopySettings(cd_picture=True))
    assert differ(pictured, with_cd) == {"cd"}


def test_playlist() -> None:
    """The form of RFC 8216 section 4: #EXTM3U first, #EXTINF with whole seconds, relative paths."""
    text = playlist_text(
        [
            PlaylistEntry(path="01 A.mp3", length_s=61.5, label="B, C - A"),
            PlaylistEntry(path="#2.mp3", length_s=3.2, label="D"),
        ]
    )
    assert text.decode().splitlines() == [
        "#EXTM3U",
        "#EXTINF:62,B, C - A",
        "01 A.mp3",
        "#EXTINF:3,D",
        "./#2.mp3",
    ]


def test_cue_times_are_never_late() -> None:
    assert cue_time(0, 96_000) == "00:00:00"
    assert cue_time(96_000 * 61 + 1279, 96_000) == "01:01:00"
    assert cue_time(96_000 * 61 + 1280, 96_000) == "01:01:01"
    assert cue_time(44_100 * 6_000, 44_100) == "100:00:00"
