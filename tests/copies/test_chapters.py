"""One file for a side or the record, as players with chapters find it: by ffprobe, mutagen and mkvinfo."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from mutagen.id3 import ID3

from sidekeep.model.recipe import CopySettings
from tests.copies.feeder import FOLDER, Feeder, decoded, record, tree

TITLES = (("Lamp Oil", "Grüße"), ("Tide Table",))
LENGTHS = ((193_000, 200_111), (194_007,))
KINDS = "side-portable,record-m4b,record-mka,cd-image"


@pytest.fixture(scope="module")
def feeder(tmp_path_factory: pytest.TempPathFactory) -> Feeder:
    made = Feeder(tmp_path_factory.mktemp("chapters"), record=record(TITLES), lengths=LENGTHS)
    made.copies(KINDS)
    return made


def chapters(program: Callable[[str], str], path: Path) -> list[tuple[float, float, str]]:
    command = [program("ffprobe"), "-v", "error", "-show_chapters", "-of", "json", str(path)]
    found = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)["chapters"]
    return [(float(each["start_time"]), float(each["end_time"]), each["tags"]["title"]) for each in found]


@pytest.mark.outside
@pytest.mark.parametrize(
    ("path", "names"),
    [
        ("side-portable/Tallow Wharf Almanac (side A).mp3", TITLES[0]),
        ("record-m4b/Tallow Wharf Almanac.m4b", sum(TITLES, ())),
        ("record-mka/Tallow Wharf Almanac.mka", sum(TITLES, ())),
    ],
)
def test_chapters_by_another_reader(
    feeder: Feeder, program: Callable[[str], str], path: str, names: tuple[str, ...]
) -> None:
    found = chapters(program, feeder.out / FOLDER / path)
    assert [title for _, _, title in found] == list(names)
    edges = np.cumsum([0, 193_000, 200_111, 194_007])[: len(names) + 1] / 48_000
    assert [start for start, _, _ in found] == pytest.approx(edges[:-1], abs=0.002)
    assert found[-1][1] == pytest.approx(edges[-1], abs=0.03)


def test_chapter_frames_stand_in_the_old_tags_too(feeder: Feeder, tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, record=record(TITLES), lengths=((9_600, 9_600), (9_600,)))
    feeder.copies("side-portable", settings=CopySettings(old_tags=True))
    path = tmp_path / FOLDER / "side-portable" / "Tallow Wharf Almanac (side A).mp3"
    assert path.read_bytes()[3] == 3
    tags = ID3(path)
    (toc,) = tags.getall("CTOC")
    assert len(toc.child_element_ids) == 2
    last = tags[f"CHAP:{toc.child_element_ids[1]}"]
    assert [str(tags[f"CHAP:{name}"].sub_frames["TIT2"]) for name in toc.child_element_ids] == [
        "Lamp Oil",
        "Grüße",
    ]
    assert (last.start_time, last.end_time) == (200, 400)


@pytest.mark.outside
def test_matroska_gives_every_sample_and_its_tags(
    feeder: Feeder, program: Callable[[str], str], tmp_path: Path
) -> None:
    path = feeder.out / FOLDER / "record-mka" / "Tallow Wharf Almanac.mka"
    out = Feeder(tmp_path, record=record(TITLES), lengths=LENGTHS)
    out.copies("record")
    assert np.array_equal(decoded(path), decoded(tmp_path / FOLDER / "record" / "Tallow Wharf Almanac.flac"))
    told = subprocess.run([program("mkvinfo"), str(path)], check=True, capture_output=True).stdout.decode()
    assert "A_FLAC" in told
    assert "The Wicker Boats" in told
    assert "REPLAYGAIN_ALBUM_GAIN" in told


def test_a_cd_as_one_file_is_the_tracks_end_to_end(feeder: Feeder, tmp_path: Path) -> None:
    other = Feeder(tmp_path, record=record(TITLES), lengths=LENGTHS)
    other.copies("cd")
    tracks = [decoded(path) for path in sorted((tmp_path / FOLDER / "cd").glob("*.wav"))]
    folder = feeder.out / FOLDER / "cd-image"
    image = decoded(folder / "Tallow Wharf Almanac.wav")
    assert np.array_equal(image, np.concatenate(tracks))
    sheet = (folder / "Tallow Wharf Almanac.cue").read_text("utf-8")
    assert sheet.count("FILE ") == 1
    starts = np.cumsum([0, *map(len, tracks[:-1])]) // 588
    wanted = [f"INDEX 01 {at // 4500:02d}:{at // 75 % 60:02d}:{at % 75:02d}" for at in starts]
    assert [line.strip() for line in sheet.splitlines() if "INDEX" in line] == wanted


def test_a_new_title_gives_the_bytes_of_a_fresh_run(tmp_path: Path) -> None:
    lengths = ((48_000, 30_000),)
    kinds = "record-mka,record-m4b,side-portable"
    old = Feeder(tmp_path / "a", record=record((("One", "Tow"),)), lengths=lengths)
    old.copies(kinds)
    right = record((("One", "Two"),))
    old.record = right
    assert {each.action for each in old.copies(kinds) if each.length_frames} == {"tagged"}
    fresh = Feeder(tmp_path / "b", record=right, lengths=lengths)
    fresh.copies(kinds)
    one, other = tree(tmp_path / "a"), tree(tmp_path / "b")
    assert {name for name in one if one[name] != other.get(name)} == set()
