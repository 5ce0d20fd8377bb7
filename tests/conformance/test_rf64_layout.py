"""RIFF and RF64 byte by byte, and past 4 GiB.

RF64: EBU Tech 3306 (2009) and ITU-R BS.2088-1: id ``RF64``, 32-bit sizes 0xFFFFFFFF, first chunk ``ds64``
with riff size, data size, sample count (64 bits each) and table length (32 bits), its place kept by a
``JUNK`` chunk of the same size. RIFF: Microsoft/IBM, Multimedia Programming Interface and Data
Specifications 1.0 (1991).
"""

from __future__ import annotations

import json
import os
import struct
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import soundfile
import wavinfo

from sidekeep.errors import AudioFileError
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave import rf64
from sidekeep.files.wave.bext import Bext
from sidekeep.files.wave.repair import repair_take
from sidekeep.files.wave.rf64 import Head, TakeWriter
from tests.files.sounds import counter, wav_bytes

DS64_BYTES = 28


def write_take(path: Path, frames: int = 1000, bext: Bext | None = None) -> None:
    with TakeWriter(path, rate_hz=96_000, channels=2, bits=24, bext=bext) as take:
        take.append_bytes(counter(0, frames))


def test_riff_with_a_place_kept(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    write_take(path)
    content = path.read_bytes()
    assert content[:4] == b"RIFF"
    assert struct.unpack("<I", content[4:8])[0] == len(content) - 8
    assert content[8:12] == b"WAVE"
    assert content[12:20] == b"JUNK" + struct.pack("<I", DS64_BYTES)
    assert content[48:56] == b"fmt " + struct.pack("<I", 16)
    # Tag 1 (linear), channels, rate, bytes a second, bytes a frame, bits.
    assert struct.unpack("<HHIIHH", content[56:72]) == (1, 2, 96_000, 576_000, 6, 24)
    assert content[72:80] == b"data" + struct.pack("<I", 6000)
    assert content[80:] == counter(0, 1000)


def test_rf64_sizes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The turn into RF64, at a limit made small; the first size that does not fit turns it."""
    path = tmp_path / "take.wav"
    monkeypatch.setattr(rf64, "RIFF_LIMIT_BYTES", 72 + 6000)
    write_take(path, 999)
    assert path.read_bytes()[:4] == b"RIFF"
    path.unlink()
    write_take(path, 1000)
    content = path.read_bytes()
    assert content[:8] == b"RF64\xff\xff\xff\xff"
    assert content[12:20] == b"ds64" + struct.pack("<I", DS64_BYTES)
    assert struct.unpack("<QQQI", content[20:48]) == (len(content) - 8, 6000, 1000, 0)
    assert content[72:80] == b"data\xff\xff\xff\xff"
    assert soundfile.info(path).frames == 1000
    assert soundfile.info(path).format == "RF64"
    source = open_source(path)
    assert (source.format.container, source.format.length_frames, source.problems) == ("rf64", 1000, [])


def test_the_limit_is_that_of_32_bits() -> None:
    """A RIFF size is at most 4 294 967 295 bytes and that number itself is RF64's mark (Tech 3306):

    96 kHz, 24 bit, stereo turn after 7456.5 s, 192 kHz after 3728.3 s (arithmetic on the 32-bit size).
    """
    assert rf64.RIFF_LIMIT_BYTES == 2**32 - 1
    for rate_hz, turns_s in ((96_000, 7456.5), (192_000, 3728.3)):
        head = Head(rate_hz=rate_hz, channels=2, bits=24, is_float=False, bext=None)
        frames = (2**32 - 2 - (head.size - 8)) // 6
        assert head.bytes_for(frames * 6)[:4] == b"RIFF"
        assert head.bytes_for((frames + 1) * 6)[:4] == b"RF64"
        assert frames / rate_hz == pytest.approx(turns_s, abs=0.1)
        assert len(head.bytes_for(0)) == len(head.bytes_for(2**40)) == head.size


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, int]]:
    """A sparse take of 4.4 GB whose writer was killed before its first sync, repaired."""
    path = tmp_path_factory.mktemp("large") / "take.wav"
    take = TakeWriter(path, rate_hz=96_000, channels=2, bits=24, bext=Bext(description="A long evening"))
    frames = 733_333_344
    head_bytes = path.stat().st_size
    os.truncate(path, head_bytes + (frames - 1000) * 6)
    os.lseek(take._file, 0, os.SEEK_END)
    take.append_bytes(counter(0, 1000))
    os.close(take._file)
    assert path.stat().st_blocks * 512 < 10_000_000, "the file system keeps no sparse files"
    assert repair_take(path).frames == frames
    yield path, frames
    path.unlink()


def test_past_4_gib_every_reader_agrees(large: tuple[Path, int]) -> None:
    path, frames = large
    assert path.stat().st_size > 2**32
    source = open_source(path)
    assert (source.format.length_frames, source.format.container, source.problems) == (frames, "rf64", [])
    assert soundfile.info(path).frames == frames
    info = wavinfo.WavInfoReader(str(path))
    assert info.data.frame_count == frames
    assert info.bext is not None
    assert info.bext.description == "A long evening"
    last = source.read(frames - 1000, frames)
    assert (last[:, 0] * 2**23).tolist() == list(range(1000))
    assert not repair_take(path).changed


@pytest.mark.outside
def test_past_4_gib_ffprobe_agrees(large: tuple[Path, int], program: Callable[[str], str]) -> None:
    path, frames = large
    command = [program("ffprobe"), "-v", "error", "-show_streams", "-of", "json", str(path)]
    stream = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)["streams"][0]
    assert stream["codec_name"] == "pcm_s24le"
    assert float(stream["duration"]) == pytest.approx(frames / 96_000, abs=1e-3)


def test_repair_needs_room_for_64_bit_sizes(tmp_path: Path) -> None:
    path = tmp_path / "other.wav"
    path.write_bytes(wav_bytes(bytes(600), bits=24, claimed=0))
    os.truncate(path, 2**32 + 44)
    with pytest.raises(AudioFileError, match="no room for 64-bit sizes"):
        repair_take(path)
    assert open_source(path).format.length_frames == 2**32 // 6
