"""CUESHEET blocks, byte by byte (RFC 9639, section 8.7), and in the eyes of metaflac."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from sidekeep.copies.tracks.tagging import TransferFacts
from tests.copies.feeder import Feeder, record


@pytest.fixture(scope="module")
def whole_record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    feeder = Feeder(tmp_path_factory.mktemp("cue"), record=record(barcode="2006381333933"))
    facts = TransferFacts(isrcs={(0, 1): "AA6Q72000047"})
    return next(each.path for each in feeder.copies("record", facts=facts) if each.path.suffix == ".flac")


def block_of(path: Path, kind: int) -> bytes:
    data = path.read_bytes()
    at = 4
    while True:
        head = data[at]
        size = int.from_bytes(data[at + 1 : at + 4], "big")
        if head & 0x7F == kind:
            return data[at + 4 : at + 4 + size]
        assert not head & 0x80, "no such block"
        at += 4 + size


def test_every_field(whole_record: Path) -> None:
    block = block_of(whole_record, 5)
    assert len(block) == 396 + 36 * 4 + 12 * 3
    assert block[:128] == b"2006381333933".ljust(128, b"\0")
    assert struct.unpack(">Q", block[128:136]) == (0,)
    assert block[136] >> 7 == 0  # not a CD
    assert not any(block[137:395])
    assert block[395] == 4
    at, starts = 396, []
    for number in (1, 2, 3):
        offset, track, isrc, flags = struct.unpack(">QB12sB", block[at : at + 22])
        assert track == number
        assert isrc == (b"AA6Q72000047" if number == 2 else bytes(12))
        assert flags == 0  # audio, without pre-emphasis
        assert not any(block[at + 22 : at + 35])
        assert block[at + 35] == 1
        assert struct.unpack(">QB3s", block[at + 36 : at + 48]) == (0, 1, bytes(3))
        starts.append(offset)
        at += 48
    offset, track, isrc, _ = struct.unpack(">QB12sB", block[at : at + 22])
    assert (offset, track, isrc, block[at + 35]) == (31_007 + 26_111 + 28_000, 255, bytes(12), 0)
    assert starts == [0, 31_007, 31_007 + 26_111]


def test_length_in_streaminfo_is_the_lead_out(whole_record: Path) -> None:
    info = block_of(whole_record, 0)
    assert int.from_bytes(info[10:18], "big") & (1 << 36) - 1 == 31_007 + 26_111 + 28_000


@pytest.mark.outside
def test_metaflac_and_flac_accept_it(whole_record: Path, program: Callable[[str], str]) -> None:
    done = subprocess.run(
        [program("metaflac"), "--export-cuesheet-to=-", str(whole_record)], capture_output=True, check=True
    )
    text = done.stdout.decode()
    assert "CATALOG 2006381333933" in text
    assert text.count("TRACK") >= 3
    assert "REM FLAC__lead-out 255 85118" in text
    subprocess.run([program("flac"), "-t", "-s", str(whole_record)], check=True, capture_output=True)


@pytest.mark.outside
def test_chapters_of_the_other_whole_records(tmp_path: Path, program: Callable[[str], str]) -> None:
    import json

    feeder = Feeder(tmp_path)
    written = feeder.copies("record-aac,record-opus")
    for each in (each for each in written if each.length_frames):
        command = [program("ffprobe"), "-v", "error", "-show_chapters", "-of", "json", str(each.path)]
        done = subprocess.run(command, capture_output=True, check=True, text=True)
        chapters = json.loads(done.stdout)["chapters"]
        assert [chapter["tags"]["title"] for chapter in chapters] == ["Lamp Oil", "Grüße", "Tide Table"]
        for chapter, start in zip(chapters, (0, 31_007, 57_118), strict=True):
            assert abs(float(chapter["start_time"]) - start / 48_000) < 0.001
