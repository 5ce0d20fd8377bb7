"""FLAC files against RFC 9639 (December 2024): STREAMINFO (8.2), the examples of appendix D, other decoders.

The MD5 is that of the decoded samples: interleaved, signed, little-endian, each padded up to whole bytes.
"""

from __future__ import annotations

import hashlib
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from sidekeep.files.reading.own_sum import stream_md5
from sidekeep.files.reading.reader import open_source
from sidekeep.files.samples import to_float, to_whole
from sidekeep.files.writing.read_back import read_back
from sidekeep.files.writing.sinks import open_sink
from tests.files.sounds import music, whole_numbers

# RFC 9639, appendix D.1: one block of one sample, 44.1 kHz, 16 bits, stereo, samples 25588 and 10416.
EXAMPLE_1 = bytes.fromhex(
    "664c6143 80000022 10001000 00000f00 000f0ac4 42f00000 00013e84 b41807dc 69030758"
    "6a3dad1a 2e0ffff8 69180000 bf0358fd 03128baa 9a".replace(" ", "")
)
EXAMPLE_1_MD5 = "3e84b41807dc690307586a3dad1a2e0f"


@dataclass(frozen=True)
class StreamInfo:
    """The 34 bytes of RFC 9639, section 8.2, read by hand."""

    smallest_block: int
    largest_block: int
    rate_hz: int
    channels: int
    bits: int
    frames: int
    md5: str


def stream_info(path: Path) -> StreamInfo:
    content = path.read_bytes()[:42]
    assert content[:4] == b"fLaC"
    assert content[4] & 0x7F == 0, "the first block must be STREAMINFO"
    assert int.from_bytes(content[5:8], "big") == 34
    body = content[8:]
    packed = int.from_bytes(body[10:18], "big")
    return StreamInfo(
        smallest_block=int.from_bytes(body[0:2], "big"),
        largest_block=int.from_bytes(body[2:4], "big"),
        rate_hz=packed >> 44,
        channels=(packed >> 41 & 7) + 1,
        bits=(packed >> 36 & 31) + 1,
        frames=packed & (1 << 36) - 1,
        md5=body[18:34].hex(),
    )


def plain_md5(whole: np.ndarray, bits: int) -> str:
    """Sample by sample, so that it shares nothing with the code under test."""
    data = b"".join(int(v).to_bytes(bits // 8, "little", signed=True) for v in whole.ravel())
    return hashlib.md5(data, usedforsecurity=False).hexdigest()


def test_rfc_example_1(tmp_path: Path) -> None:
    path = tmp_path / "example1.flac"
    path.write_bytes(EXAMPLE_1)
    assert len(EXAMPLE_1) == 57
    source = open_source(path)
    assert (source.format.rate_hz, source.format.bits, source.format.length_frames) == (44_100, 16, 1)
    assert (source.read(0, 1) * 32_768).tolist() == [[25_588, 10_416]]
    assert stream_md5(EXAMPLE_1) == EXAMPLE_1_MD5
    pcm = bytes.fromhex("f463b028")
    assert hashlib.md5(pcm, usedforsecurity=False).hexdigest() == EXAMPLE_1_MD5
    assert stream_info(path) == StreamInfo(4096, 4096, 44_100, 2, 16, 1, EXAMPLE_1_MD5)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 192_000])
def test_stream_info_of_our_files(tmp_path: Path, rng: np.random.Generator, rate_hz: int, bits: int) -> None:
    path = tmp_path / "a.flac"
    whole = whole_numbers(rng, 9001, 2, bits)
    with open_sink(path, "flac", rate_hz=rate_hz, channels=2, bits=bits) as sink:
        sink.write_int(whole)
    info = stream_info(path)
    assert (info.rate_hz, info.channels, info.bits, info.frames) == (rate_hz, 2, bits, 9001)
    assert info.md5 == plain_md5(whole, bits) == stream_md5(path.read_bytes()[:42])
    # Streamable subset (RFC 9639, section 7): blocks of at most 16384, up to 48 kHz of at most 4608.
    assert 16 <= info.smallest_block <= info.largest_block <= (4608 if rate_hz <= 48_000 else 16_384)
    got = read_back(path, "flac", bits=bits)
    assert got.frames == 9001


def test_an_unset_md5_is_told(tmp_path: Path) -> None:
    """All zero means not set (RFC 9639, section 8.2)."""
    assert stream_md5(EXAMPLE_1[:26] + bytes(16)) == ""
    assert stream_md5(EXAMPLE_1[:30]) == ""
    assert stream_md5(b"OggS" + bytes(60)) == ""


@pytest.mark.outside
@pytest.mark.parametrize("bits", [16, 24])
def test_the_reference_decoder_agrees(tmp_path: Path, bits: int, program: Callable[[str], str]) -> None:
    path = tmp_path / "a.flac"
    whole, _ = to_whole(music(96_000, 1.0), bits)
    with open_sink(path, "flac", rate_hz=96_000, channels=2, bits=bits) as sink:
        sink.write(to_float(whole, bits))
    flac, metaflac = program("flac"), program("metaflac")
    subprocess.run([flac, "-t", "-s", "-w", str(path)], check=True, capture_output=True)
    told = subprocess.run([metaflac, "--show-md5sum", str(path)], check=True, capture_output=True, text=True)
    assert told.stdout.strip() == plain_md5(whole, bits)
    raw = subprocess.run(
        [flac, "-d", "-s", "-c", "--force-raw-format", "--endian=little", "--sign=signed", str(path)],
        check=True,
        capture_output=True,
    ).stdout
    assert hashlib.md5(raw, usedforsecurity=False).hexdigest() == plain_md5(whole, bits)


@pytest.mark.outside
def test_not_larger_than_the_reference_encoder_makes_it(
    tmp_path: Path, program: Callable[[str], str]
) -> None:
    """Level 8 of both, within 2 %: the smallest the format's reference gives."""
    sound = music(44_100, 4.0)
    for name, kind in (("a.flac", "flac"), ("a.wav", "wav")):
        with open_sink(tmp_path / name, kind, rate_hz=44_100, channels=2, bits=16) as sink:
            sink.write(sound)
    reference = tmp_path / "reference.flac"
    command = [program("flac"), "-8", "-s", "-o", str(reference), str(tmp_path / "a.wav")]
    subprocess.run(command, check=True, capture_output=True)
    assert (tmp_path / "a.flac").stat().st_size < 1.02 * reference.stat().st_size + 10_000
