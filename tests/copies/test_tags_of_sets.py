"""Compilations and records of several discs, as players keep them together; read back by a second reader."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import mutagen
import pytest

from sidekeep.copies.tracks.tagging import TransferFacts
from tests.copies.feeder import FOLDER, Feeder, record

KINDS = "lossless,portable,phone,alac,aiff"


def by_ffprobe(path: Path) -> dict[str, str]:
    command = ["ffprobe", "-v", "error", "-show_entries", "format_tags:stream_tags", "-of", "json", str(path)]
    found: dict[str, Any] = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    tags = dict(found.get("format", {}).get("tags", {}))
    for stream in found.get("streams", []):
        tags |= stream.get("tags", {})
    return {name.casefold(): value for name, value in tags.items()}


def various(
    own_artist: str = "Various Artists", artists: tuple[str, ...] = ("Marrow Lane", "Vesna Or Nobody", "Quay")
) -> Any:
    made = record(artist=own_artist)
    names = iter(artists)
    sides = tuple(
        replace(side, tracks=tuple(replace(track, artist=next(names)) for track in side.tracks))
        for side in made.sides
    )
    return replace(made, sides=sides)


@pytest.mark.outside
def test_a_compilation_is_marked_in_every_format(tmp_path: Path, program: Callable[[str], str]) -> None:
    program("ffprobe")
    feeder = Feeder(tmp_path, record=various())
    written = [each.path for each in feeder.copies(KINDS) if each.length_frames]
    assert len(written) == 15
    for path in written:
        tags = by_ffprobe(path)
        assert tags.get("compilation", tags.get("tcmp")) == "1", path
        assert tags.get("album_artist", tags.get("albumartist")) == "Various Artists", path


@pytest.mark.parametrize(
    ("own", "artists"),
    [
        ("The Wicker Boats", ("", "", "")),
        ("The Wicker Boats", ("", "Quay", "Marrow Lane")),
        ("The Wicker Boats", ("The Wicker Boats", "Quay", "Marrow Lane")),
        ("Various Artists", ("Quay", "Quay", "Quay")),
    ],
)
def test_a_record_with_guests_is_no_compilation(tmp_path: Path, own: str, artists: tuple[str, ...]) -> None:
    feeder = Feeder(tmp_path, record=various(own, artists))
    assert not any(planned.tags.is_compilation for planned in feeder.plan("lossless").files)


def four_sides(folder: Path) -> Feeder:
    feeder = Feeder(folder, lengths=((9_000, 9_000), (9_000,), (9_000, 9_000, 9_000), (9_000,)))
    feeder.record = record((("a", "b"), ("c",), ("d", "e", "f"), ("g",)))
    return feeder


def numbers(feeder: Feeder, **options: Any) -> list[tuple[int, int, int, int]]:
    return [
        (each.tags.track_number, each.tags.track_total, each.tags.disc_number, each.tags.disc_total)
        for each in feeder.plan("lossless", **options).files
    ]


def test_every_disc_counts_anew(tmp_path: Path) -> None:
    feeder = four_sides(tmp_path)
    assert numbers(feeder) == [
        (1, 3, 1, 2),
        (2, 3, 1, 2),
        (3, 3, 1, 2),
        (1, 4, 2, 2),
        (2, 4, 2, 2),
        (3, 4, 2, 2),
        (4, 4, 2, 2),
    ]
    through = numbers(feeder, facts=TransferFacts(counts_through=True))
    assert through == [(n, 7, 1 if n < 4 else 2, 2) for n in range(1, 8)]
    # File names run on, so that a folder shows the record in order.
    assert [each.path.split("/")[1][:4] for each in feeder.plan("lossless").files][3] == "04 d"


def test_the_second_disc_alone_knows_of_the_first(tmp_path: Path) -> None:
    feeder = four_sides(tmp_path)
    feeder.sides, feeder.takes = feeder.sides[2:], feeder.takes[2:]
    assert numbers(feeder, elsewhere={"A": 2, "B": 1}) == [(n, 4, 2, 2) for n in range(1, 5)]


def test_opus_streams_have_serial_numbers_of_their_own(tmp_path: Path) -> None:
    """RFC 3533, section 6: the serial number stands 14 bytes into a page, and no two streams of a chain share one."""
    feeder = Feeder(tmp_path)
    feeder.copies("phone")
    serials = [
        int.from_bytes(path.read_bytes()[14:18], "little")
        for path in sorted((tmp_path / FOLDER / "phone").glob("*.opus"))
    ]
    assert len(set(serials)) == 3
    assert mutagen.File(next(tmp_path.rglob("*.opus"))).info.length > 0
