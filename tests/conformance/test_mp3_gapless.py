"""MP3 (and m4a) files frame by frame: ISO/IEC 11172-3 headers, and the gapless numbers of the tag frame.

Tag frame: ``Info`` or ``Xing`` 36 bytes into an MPEG-1 stereo frame; the encoder's extension begins 120 bytes
after it, with delay and padding as two 12-bit numbers at +21 (public description of that tag, from memory; offsets
also computed from real files). Identity: frames * 1152 - delay - padding = samples that went in.
"""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from sidekeep.files.codecs.mp3 import read_info
from sidekeep.files.reading.reader import open_source
from sidekeep.files.writing.sinks import open_sink
from sidekeep.flow.ports import Audio
from tests.files.sounds import music
from tests.outside import library

# ISO/IEC 11172-3, table of bit rates (layer III) and sampling frequencies of MPEG-1.
KBIT_PER_S = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
RATES_HZ = (44_100, 48_000, 32_000)


@dataclass(frozen=True)
class Header:
    offset: int
    size: int
    kbit_per_s: int
    rate_hz: int
    padded: bool
    mode: int


def headers(content: bytes) -> Iterator[Header]:
    """Every frame of a file without other tags, by hand; frames must follow each other without a gap."""
    at = 0
    while at < len(content):
        first, second, third, fourth = content[at : at + 4]
        assert (first, second & 0xFE) == (0xFF, 0xFA), f"no MPEG-1 layer III frame at {at}"
        kbit, rate_hz, pad = KBIT_PER_S[third >> 4], RATES_HZ[third >> 2 & 3], third >> 1 & 1
        size = 144_000 * kbit // rate_hz + pad
        yield Header(at, size, kbit, rate_hz, bool(pad), fourth >> 6)
        at += size
    assert at == len(content)


def gapless(content: bytes, tag: bytes) -> tuple[int, int, int]:
    """(frames, delay, padding) of the tag frame, by hand."""
    assert content[36:40] == tag
    assert content[43] & 1, "the number of frames is left out"
    extension = 36 + 120
    assert content[extension : extension + 4] == b"LAME"
    gap = content[extension + 21 : extension + 24]
    return (
        int.from_bytes(content[44:48], "big"),
        gap[0] << 4 | gap[1] >> 4,
        (gap[1] & 0x0F) << 8 | gap[2],
    )


def write(path: Path, kind: str, sound: Audio, rate_hz: int = 44_100) -> bytes:
    with open_sink(path, kind, rate_hz=rate_hz, channels=sound.shape[1]) as sink:
        sink.write(sound)
    return path.read_bytes()


@pytest.mark.parametrize(("kind", "tag"), [("mp3-320", b"Info"), ("mp3-variable", b"Xing")])
@pytest.mark.parametrize("frames", [1000, 40_517, 44_100])
@pytest.mark.parametrize("rate_hz", [32_000, 44_100, 48_000])
def test_gapless_identity(tmp_path: Path, kind: str, tag: bytes, frames: int, rate_hz: int) -> None:
    """40 517 samples: a worked case (37 frames, delay 576, padding 1531)."""
    path = tmp_path / "a.mp3"
    content = write(path, kind, music(rate_hz, 1.5)[:frames], rate_hz)
    told, delay, padding = gapless(content, tag)
    assert told == len(list(headers(content))) - 1, "the tag frame is not counted"
    assert told * 1152 - delay - padding == frames
    info = read_info(content)
    assert info is not None
    assert (info.frames, info.delay, info.padding, info.length_frames) == (told, delay, padding, frames)
    assert open_source(path).format.length_frames == frames
    if frames == 40_517:
        assert (told, delay, padding) == (37, 576, 1531)


def test_constant_320_joint_stereo(tmp_path: Path) -> None:
    """320 kbit/s at 44.1 kHz: 144 * 320000 / 44100 = 1044 + 44/49 bytes, so 44 of 49 frames are padded."""
    content = write(tmp_path / "a.mp3", "mp3-320", music(44_100, 4.0))
    frames = list(headers(content))
    assert {frame.kbit_per_s for frame in frames} == {320}
    assert {frame.rate_hz for frame in frames} == {44_100}
    assert {frame.mode for frame in frames} == {1}, "mode 01 is joint stereo"
    assert {frame.size for frame in frames} == {1044, 1045}
    padded = sum(frame.padded for frame in frames[1 : 1 + 49 * 3])
    assert padded == 44 * 3
    for rate_hz, size in ((48_000, 960), (32_000, 1440)):
        content = write(tmp_path / f"{rate_hz}.mp3", "mp3-320", music(rate_hz, 0.3), rate_hz)
        assert {frame.size for frame in headers(content)} == {size}


def test_variable_rate_varies(tmp_path: Path) -> None:
    sound = music(44_100, 2.0)
    sound[:44_100] *= 1e-4
    frames = list(headers(write(tmp_path / "a.mp3", "mp3-variable", sound)))
    rates = [frame.kbit_per_s for frame in frames]
    assert np.mean(rates[5:30]) < np.mean(rates[45:70])


def test_adjoining_tracks_join(tmp_path: Path) -> None:
    """A side cut in three, each part its own file: decoded and put together they are as long as the side."""
    sound = music(44_100, 2.0)
    cuts = [0, 30_011, 61_234, len(sound)]
    decoded = []
    for number, (start, stop) in enumerate(pairwise(cuts)):
        path = tmp_path / f"{number}.mp3"
        write(path, "mp3-320", sound[start:stop])
        source = open_source(path)
        decoded.append(source.read(0, source.format.length_frames))
    joined = np.concatenate(decoded)
    assert len(joined) == len(sound)
    rest = joined - sound
    assert np.sqrt(np.mean(rest**2)) < 0.05 * np.sqrt(np.mean(sound**2))
    # No click at the joins: the rest there stays small beside the music (measured: twice the usual).
    usual = np.abs(rest[5000:25_000]).max()
    for cut in cuts[1:-1]:
        assert np.abs(rest[cut - 64 : cut + 64]).max() < 4.0 * usual


def test_a_tag_in_front_is_skipped(tmp_path: Path) -> None:
    content = write(tmp_path / "a.mp3", "mp3-320", music(44_100, 0.3))
    # Sizes have 7 bits to a byte (ID3v2.4.0 structure, section 6.2): 200 = 1 * 128 + 72.
    tagged = b"ID3\x04\x00\x00" + bytes([0, 0, 1, 72]) + bytes(200) + content
    assert read_info(tagged) == read_info(content)
    assert read_info(b"") is None
    assert read_info(bytes(2000)) is None


@pytest.mark.outside
@pytest.mark.parametrize("kind", ["mp3-320", "mp3-variable", "aac", "opus", "alac", "flac"])
def test_another_decoder_gives_the_same_length(
    tmp_path: Path, kind: str, program: Callable[[str], str]
) -> None:
    path = tmp_path / "a.bin"
    sound = music(48_000, 1.2345)
    write(path, kind, sound, 48_000)
    command = [program("ffmpeg"), "-v", "error", "-i", str(path), "-f", "f32le", "-ac", "2", "-"]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    got = np.frombuffer(raw, "<f4").reshape(-1, 2)
    assert len(got) == len(sound)
    rest = got[: len(sound)] - sound
    assert np.sqrt(np.mean(rest**2)) < 0.06 * np.sqrt(np.mean(sound**2))


def test_m4a_edit_list(tmp_path: Path) -> None:
    """ISO/IEC 14496-12, 8.6.6: one edit of exactly the sound, its media time skipping run-up and delay.

    The movie's time scale is the sample rate, so that the length is exact to the frame.
    """
    for frames in (1, 1024, 44_099):
        content = write(tmp_path / f"{frames}.m4a", "aac", music(44_100, 1.0)[:frames])
        at = content.index(b"mvhd") + 4
        scale, length = struct.unpack(">II", content[at + 12 : at + 20])
        at = content.index(b"elst") + 4
        version, count, edit_length, media_time, rate = struct.unpack(">IIIiI", content[at : at + 20])
        assert (version, count, rate) == (0, 1, 0x10000)
        assert (scale, length, edit_length) == (44_100, frames, frames)
        # One packet of delay, one of run-up, and as much more as makes the sound end with a packet.
        assert media_time == 2 * 1024 + (-frames % 1024 if frames >= 1024 else 0)


@pytest.mark.parametrize("codec", ["alac", "aac"])
def test_m4a_with_an_edit_list_in_milliseconds(tmp_path: Path, codec: str) -> None:
    """As other programs write it: the rounded length must not cut the sound."""
    av = library("av")
    path = tmp_path / "a.m4a"
    sound = music(44_100, 1.0)[:43_987]
    form = "s16p" if codec == "alac" else "fltp"
    samples = np.rint(sound * 32_768).astype(np.int16) if codec == "alac" else sound.astype(np.float32)
    with av.open(str(path), "w", format="ipod") as out:
        stream = out.add_stream(codec, rate=44_100, layout="stereo")
        stream.codec_context.format = av.AudioFormat(form)
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(samples.T), format=form, layout="stereo")
        frame.sample_rate, frame.pts, frame.time_base = 44_100, 0, Fraction(1, 44_100)
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    source = open_source(path)
    assert source.format.length_frames == len(sound)
    assert source.problems == []
