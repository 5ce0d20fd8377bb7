"""WAV copies as other readers find them: head, LIST/INFO and ID3, byte by byte and by sox.

Layout: Microsoft/IBM RIFF 1.0 (1991); extensible form: Microsoft, "Multiple channel audio data and WAVE files" (2001).
"""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from mutagen.wave import WAVE
from wavinfo import WavInfoReader

from sidekeep.files.tags.tag_set import TagSet
from sidekeep.files.tags.tag_writer import write_tags
from sidekeep.files.writing.sinks import open_sink

TAGS = TagSet(
    title="Grüße",
    artists=("The Wicker Boats", "Quay"),
    album="Tallow Wharf Almanac",
    track_number=2,
    track_total=8,
    date="1971",
    genres=("Folk",),
    media="Vinyl",
    comment="fine line stylus",
)


def written(path: Path, bits: int, *, channels: int = 2, frames: int = 4_801) -> np.ndarray:
    sound = np.random.default_rng(3).uniform(-0.4, 0.4, (frames, channels))
    whole = np.rint(sound * 2 ** (bits - 1)).astype(np.int32)
    with open_sink(
        path, "wav", rate_hz=48_000, channels=channels, bits=bits, length_frames=frames, replace=True
    ) as sink:
        sink.write_int(whole)
    return whole << (32 - bits)


def chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    assert data[:4] == b"RIFF"
    assert data[8:12] == b"WAVE"
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    found, at = [], 12
    while at < len(data):
        size = struct.unpack("<I", data[at + 4 : at + 8])[0]
        found.append((data[at : at + 4], data[at + 8 : at + 8 + size]))
        at += 8 + size + size % 2
    assert at == len(data)
    return found


def test_sixteen_bits_have_the_plain_head_of_44_bytes(tmp_path: Path) -> None:
    written(tmp_path / "a.wav", 16)
    data = (tmp_path / "a.wav").read_bytes()
    assert data[36:40] == b"data"
    assert struct.unpack("<HHIIHH", data[20:36]) == (1, 2, 48_000, 192_000, 4, 16)
    assert [name for name, _ in chunks(data)] == [b"fmt ", b"data"]


@pytest.mark.parametrize(("channels", "mask"), [(1, 4), (2, 3)])
def test_24_bits_are_extensible(tmp_path: Path, channels: int, mask: int) -> None:
    written(tmp_path / "a.wav", 24, channels=channels)
    name, body = chunks((tmp_path / "a.wav").read_bytes())[0]
    assert (name, len(body)) == (b"fmt ", 40)
    assert struct.unpack("<H", body[:2]) == (0xFFFE,)
    assert struct.unpack("<HHI", body[16:24]) == (22, 24, mask)
    # KSDATAFORMAT_SUBTYPE_PCM, 00000001-0000-0010-8000-00AA00389B71.
    assert body[24:] == bytes.fromhex("0100000000001000800000aa00389b71")


@pytest.mark.outside
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("channels", [1, 2])
def test_others_read_every_sample(
    tmp_path: Path, program: Callable[[str], str], bits: int, channels: int
) -> None:
    path, out = tmp_path / "a.wav", tmp_path / "a.raw"
    whole = written(path, bits, channels=channels)
    write_tags(path, ".wav", TAGS)
    assert np.array_equal(soundfile.read(path, dtype="int32", always_2d=True)[0], whole)
    command = [program("sox"), str(path), "-t", "raw", "-e", "signed", "-b", "32", str(out)]
    subprocess.run(command, check=True, capture_output=True)
    assert np.array_equal(np.fromfile(out, "<i4").reshape(-1, channels), whole)


def test_list_info_stands_beside_id3(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    # An odd number of bytes: the pad byte of the samples is not counted.
    written(path, 24, channels=1, frames=4_801)
    write_tags(path, ".wav", TAGS)
    names = [name for name, _ in chunks(path.read_bytes())]
    assert names == [b"fmt ", b"data", b"LIST", b"id3 "]
    info = WavInfoReader(str(path), info_encoding="utf-8").info
    assert info.title == "Grüße"
    assert info.artist == "The Wicker Boats; Quay"
    assert info.product == "Tallow Wharf Almanac"
    assert info.created_date == "1971"
    assert info.genre == "Folk"
    assert info.comment == "fine line stylus"
    tags = WAVE(path).tags
    assert tags is not None
    assert tags["TPE1"].text == ["The Wicker Boats", "Quay"]


def test_tags_written_anew_leave_the_bytes_of_tags_written_once(tmp_path: Path) -> None:
    once, anew = tmp_path / "a.wav", tmp_path / "b.wav"
    for path in (once, anew):
        written(path, 16)
    write_tags(anew, ".wav", TagSet(title="A title that is much longer than the other", artists=("X",)))
    for path in (once, anew):
        write_tags(path, ".wav", TAGS)
    assert once.read_bytes() == anew.read_bytes()
