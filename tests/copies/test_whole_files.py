"""Files that hold a side, a record or a disc: gains, numbers and chapters inside, seek tables, sheets for burners."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from mutagen.flac import FLAC
from mutagen.wave import WAVE

from sidekeep.copies.tracks.tagging import TransferFacts
from sidekeep.dsp.level.true_peak import measure_true_peak
from sidekeep.files.codecs.flac import flac_audio_start, seek_points
from sidekeep.files.writing.sinks import open_sink
from tests.copies.feeder import FOLDER, Feeder, decoded, record
from tests.outside import library


@pytest.fixture(scope="module")
def feeder(tmp_path_factory: pytest.TempPathFactory) -> Feeder:
    titles = (("Lamp Oil", "Grüße “a” Łódź"), ("Tide Table",), ("Long Quay",), ("Ash",))
    # A CD track lasts at least 4 s, or it is joined to the next.
    lengths = ((193_000, 200_111), (194_007,), (195_000,), (193_001,))
    made = Feeder(tmp_path_factory.mktemp("whole"), record=record(titles, artist="Åse Łind"), lengths=lengths)
    made.copies("side,record,cd", facts=TransferFacts(barcode="2006381333933"))
    return made


def folder_of(feeder: Feeder) -> Path:
    return feeder.out / FOLDER.replace("The Wicker Boats", "Åse Łind")


def test_gains_of_a_side_and_the_record(feeder: Feeder) -> None:
    pyebur128 = library("pyebur128")
    paths = sorted(folder_of(feeder).glob("side/*.flac"))
    assert len(paths) == 4
    for path in paths:
        tags = FLAC(path).tags
        audio = np.ascontiguousarray(decoded(path))
        state = pyebur128.R128State(2, 48_000, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(audio.ravel(), len(audio))
        gain_db = -18.0 - pyebur128.get_loudness_global(state)
        assert float(tags["REPLAYGAIN_TRACK_GAIN"][0].split()[0]) == pytest.approx(gain_db, abs=0.02)
        peak = measure_true_peak(audio, rate_hz=48_000)
        assert float(tags["REPLAYGAIN_TRACK_PEAK"][0]) == pytest.approx(peak, abs=1e-4)
        assert tags["REPLAYGAIN_ALBUM_GAIN"]


def test_numbers_of_sides_on_their_discs(feeder: Feeder) -> None:
    found = []
    for path in sorted(folder_of(feeder).glob("side/*.flac")):
        tags = FLAC(path).tags
        names = ("SIDE", "TRACKNUMBER", "TRACKTOTAL", "DISCNUMBER", "DISCTOTAL")
        found.append(tuple(tags[name][0] for name in names))
    assert found == [
        ("A", "1", "2", "1", "2"),
        ("B", "2", "2", "1", "2"),
        ("C", "1", "2", "2", "2"),
        ("D", "2", "2", "2", "2"),
    ]


@pytest.mark.outside
def test_chapters_and_cue_sheet_stand_in_the_file(feeder: Feeder, program: Callable[[str], str]) -> None:
    (path,) = folder_of(feeder).glob("record/*.flac")
    command = [program("ffprobe"), "-v", "error", "-show_chapters", "-of", "json", str(path)]
    chapters = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)["chapters"]
    assert [each["tags"]["title"] for each in chapters] == [
        "Lamp Oil",
        "Grüße “a” Łódź",
        "Tide Table",
        "Long Quay",
        "Ash",
    ]
    starts = np.cumsum([0, 193_000, 200_111, 194_007, 195_000]) / 48_000
    assert [float(each["start_time"]) for each in chapters] == pytest.approx(starts, abs=0.001)
    inside = FLAC(path).tags["CUESHEET"][0]
    beside = path.with_suffix(".cue").read_text("utf-8")
    assert inside.splitlines() == beside.splitlines()


def test_seek_points_are_frames(tmp_path: Path) -> None:
    """Each offset of the table is the beginning of a frame (RFC 9639, section 9.1: sync code), whose coded number times
    the block size is the sample told (section 9.1.5; below 128 it is one byte)."""
    path = tmp_path / "a.flac"
    with open_sink(path, "flac", rate_hz=48_000, channels=2) as sink:
        sink.write(np.random.default_rng(2).uniform(-0.1, 0.1, (48_000 * 3 + 17, 2)))
    data = path.read_bytes()
    with open(path, "rb") as file:
        start = flac_audio_start(file)
    points = seek_points(path, every_s=0.5)
    assert len(points) == 7
    for number, point in enumerate(points):
        at = start + point.offset_bytes
        assert data[at : at + 2] == b"\xff\xf8"
        assert data[at + 4] * points[0].frames == point.sample
        assert point.sample <= number * 24_000 < point.sample + point.frames


@pytest.mark.outside
def test_the_seek_table_is_read_by_others(feeder: Feeder, program: Callable[[str], str]) -> None:
    (path,) = folder_of(feeder).glob("record/*.flac")
    command = [program("metaflac"), "--list", "--block-type=SEEKTABLE", str(path)]
    told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert "seek points: 3" in told
    subprocess.run([program("flac"), "-t", "-s", str(path)], check=True, capture_output=True)


def test_sheets_of_a_cd_for_readers_and_burners(feeder: Feeder) -> None:
    folder = folder_of(feeder) / "cd"
    names = sorted(path.name for path in folder.iterdir())
    assert names == [
        "01 Lamp Oil.wav",
        "02 Grusse 'a' Lodz.wav",
        "03 Tide Table.wav",
        "04 Long Quay.wav",
        "05 Ash.wav",
        "Tallow Wharf Almanac (for burners).cue",
        "Tallow Wharf Almanac.cue",
    ]
    assert all(name.isascii() for name in names)
    full = (folder / names[6]).read_bytes().decode("utf-8")
    plain = (folder / names[5]).read_bytes().decode("iso-8859-1")
    assert 'TITLE "Grüße “a” Łódź"' in full
    assert "TITLE \"Grüße 'a' Lódz\"" in plain
    assert 'PERFORMER "Åse Lind"' in plain
    for line in (f'FILE "{names[1]}" WAVE', "CATALOG 2006381333933"):
        assert line in full
        assert line in plain
    assert all(line.count('"') in (0, 2) for line in (full + plain).splitlines())


def test_a_cd_track_carries_no_picture_and_peaks_of_its_own_rate(feeder: Feeder) -> None:
    paths = sorted((folder_of(feeder) / "cd").glob("*.wav"))
    assert len(paths) > 1
    for path in paths:
        assert path.read_bytes()[36:40] == b"data"
        tags = WAVE(path).tags
        assert tags is not None
        assert not tags.getall("APIC")
        peak = measure_true_peak(decoded(path), rate_hz=44_100)
        assert float(tags["TXXX:REPLAYGAIN_TRACK_PEAK"].text[0]) == pytest.approx(peak, abs=2e-6)
