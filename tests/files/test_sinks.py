"""Every kind of copy: what goes in comes back, whole or not at all, the same bytes every time."""

from __future__ import annotations

import functools
import hashlib
import os
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.errors import CopyError, ParameterError
from sidekeep.files.checksum import StripeSums
from sidekeep.files.reading.reader import open_source
from sidekeep.files.samples import pack_samples, to_float, to_whole, unpack_samples
from sidekeep.files.wave.bext import Bext
from sidekeep.files.writing import read_back as room
from sidekeep.files.writing.read_back import DifferenceMeter
from sidekeep.files.writing.sinks import CODECS, open_sink
from sidekeep.flow.ports import Audio, AudioSink
from tests.files.sounds import leftovers, music, whole_numbers

LOSSLESS = [(kind, bits) for kind, codec in CODECS.items() for bits in codec.bits]
LOSSY = [kind for kind, codec in CODECS.items() if not codec.lossless]
RATE_HZ = 48_000


def name_of(kind: str) -> str:
    return f"01 song{CODECS[kind].suffix}"


def write(path: Path, kind: str, sound: Audio, block: int = 65_536, **options: Any) -> None:
    sink: AudioSink = open_sink(path, kind, rate_hz=RATE_HZ, channels=sound.shape[1], **options)
    for at in range(0, len(sound), block):
        sink.write(sound[at : at + block])
    sink.close()


def test_all_kinds_are_there() -> None:
    assert set(CODECS) == {"flac", "alac", "mp3-320", "mp3-variable", "aac", "opus", "wav", "aiff", "bwf"}


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(("kind", "bits"), LOSSLESS)
def test_lossless_gives_back_every_sample(
    tmp_path: Path, rng: np.random.Generator, kind: str, bits: int, channels: int
) -> None:
    path = tmp_path / name_of(kind)
    whole = whole_numbers(rng, 9999, channels, bits)
    with open_sink(path, kind, rate_hz=96_000, channels=channels, bits=bits) as sink:
        sink.write_int(whole[:4000])
        sink.write(to_float(whole[4000:4001], bits))
        sink.write(to_float(whole[4001:], bits))
    source = open_source(path)
    assert (source.format.bits, source.format.rate_hz, source.format.length_frames) == (bits, 96_000, 9999)
    np.testing.assert_array_equal(source.read(0, 9999), to_float(whole, bits))
    assert sink.written.frames == 9999
    assert sink.written.peak == 1.0
    assert sink.written.past_full_scale == 0
    assert os.listdir(tmp_path) == [path.name]


@pytest.mark.parametrize("kind", LOSSY)
@pytest.mark.parametrize("frames", [1, 575, 1152, 1153, 30_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_lossy_gives_back_the_length(tmp_path: Path, kind: str, frames: int, channels: int) -> None:
    path = tmp_path / name_of(kind)
    write(path, kind, music(RATE_HZ, 1.0, channels)[:frames])
    assert open_source(path).format.length_frames == frames


@pytest.mark.parametrize("kind", LOSSY)
def test_lossy_sounds_alike(tmp_path: Path, kind: str) -> None:
    """The rest after a 320, variable, 256 or 192 kbit/s codec lies far under the music, at the start too.

    Measured at the start: Opus -27, MP3 variable -29, MP3 320 -37, AAC -32 dB (-16 without its run-up); after it -27 to -38 dB, most of it hiss.
    """
    sound = music(RATE_HZ, 4.0)[RATE_HZ:]
    path = tmp_path / name_of(kind)
    write(path, kind, sound)
    got = open_source(path).read(0, len(sound))
    power = np.mean(sound**2)
    for part in (slice(0, 1024), slice(4096, -4096)):
        rest_db = 10 * np.log10(np.mean((got[part] - sound[part]) ** 2) / power)
        limit_db = -30.0 if kind == "aac" and part.start == 0 else -24.0
        assert rest_db < limit_db, (kind, part, rest_db)


@pytest.mark.parametrize("kind", list(CODECS))
def test_bytes_are_the_same_whatever_the_blocks(tmp_path: Path, kind: str) -> None:
    sound = music(RATE_HZ, 1.5)
    sums = set()
    for turn, block in enumerate((65_536, 65_536, 1000, 20_011)):
        path = tmp_path / f"{turn}{CODECS[kind].suffix}"
        write(path, kind, sound, block, bits=16)
        sums.add(hashlib.sha256(path.read_bytes()).hexdigest())
    assert len(sums) == 1


@pytest.mark.parametrize("kind", list(CODECS))
def test_whole_numbers_and_floats_give_the_same_bytes(tmp_path: Path, kind: str) -> None:
    whole, _ = to_whole(music(RATE_HZ, 0.5), 16)
    for name in ("a", "b"):
        with open_sink(tmp_path / name, kind, rate_hz=RATE_HZ, channels=2, bits=16) as sink:
            if name == "a":
                sink.write_int(whole)
            else:
                sink.write(to_float(whole, 16))
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


@pytest.mark.parametrize("kind", list(CODECS))
def test_the_name_appears_at_the_end_and_abandoning_leaves_nothing(tmp_path: Path, kind: str) -> None:
    path = tmp_path / name_of(kind)
    sink = open_sink(path, kind, rate_hz=RATE_HZ, channels=2)
    sink.write(music(RATE_HZ, 0.3))
    (half,) = os.listdir(tmp_path)
    assert half.startswith(path.name + ".")
    assert half.endswith(".part")
    sink.abandon()
    sink.abandon()
    sink.close()
    assert os.listdir(tmp_path) == []
    with pytest.raises(CopyError, match="abandoned"):
        sink.write(music(RATE_HZ, 0.1))


@pytest.mark.parametrize("kind", list(CODECS))
def test_full_disk_is_one_line_and_leaves_nothing(small_disk: Path, kind: str) -> None:
    before = sorted(os.listdir(small_disk))
    noise = np.random.default_rng(3).uniform(-0.9, 0.9, (RATE_HZ * 16, 2))
    with pytest.raises(CopyError, match=r"disk is full|file grows past") as caught:
        write(small_disk / name_of(kind), kind, noise)
    assert "\n" not in str(caught.value)
    assert name_of(kind) in str(caught.value)
    assert ".part" not in str(caught.value)
    assert sorted(os.listdir(small_disk)) == before


@pytest.mark.parametrize("kind", list(CODECS))
def test_a_failure_while_tagging_leaves_nothing(tmp_path: Path, kind: str) -> None:
    def fails(part: Path) -> None:
        assert part.name.endswith(".part")
        raise OSError(28, "No space left on device")

    with pytest.raises(CopyError, match="disk is full"):
        write(tmp_path / name_of(kind), kind, music(RATE_HZ, 0.2), finish=fails)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("kind", ["flac", "alac", "aiff", "wav", "bwf"])
def test_one_wrong_sample_is_found_before_the_name(tmp_path: Path, kind: str) -> None:
    """The stored bytes are changed behind the encoder's back, as a failing disk would."""

    def spoil(part: Path) -> None:
        content = bytearray(part.read_bytes())
        content[len(content) * 2 // 3] ^= 0x10
        part.write_bytes(content)

    with pytest.raises(CopyError, match=r"read back|give back|gives back") as caught:
        write(tmp_path / name_of(kind), kind, music(RATE_HZ, 1.0), finish=spoil)
    assert "\n" not in str(caught.value)
    assert os.listdir(tmp_path) == []


def test_a_flac_that_lost_its_own_checksum_is_found_before_the_name(tmp_path: Path) -> None:
    """All sixteen bytes zero mean that there is none (RFC 9639, section 8.2): nobody could ever check it again."""

    def spoil(part: Path) -> None:
        content = bytearray(part.read_bytes())
        content[26:42] = bytes(16)
        part.write_bytes(content)

    with pytest.raises(CopyError) as caught:
        write(tmp_path / name_of("flac"), "flac", music(RATE_HZ, 0.2), finish=spoil)
    assert caught.value.code == "no-sound-checksum"
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("kind", LOSSY)
def test_a_lossy_copy_of_something_else_is_found(tmp_path: Path, kind: str) -> None:
    sound = music(RATE_HZ, 1.5)
    for name, other in (("short", sound[:-500]), ("faint", sound * 0.5)):
        write(tmp_path / name, kind, other)

    for name, words in (("short", "gives back"), ("faint", "dB off the level")):
        other_bytes = (tmp_path / name).read_bytes()
        with pytest.raises(CopyError, match=words):
            write(tmp_path / "copy", kind, sound, finish=lambda part, b=other_bytes: part.write_bytes(b))
    assert leftovers(tmp_path) == []


def test_nothing_is_overwritten_without_replace(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    path.write_bytes(b"precious")
    with pytest.raises(CopyError, match="exists already"):
        open_sink(path, "flac", rate_hz=RATE_HZ, channels=2)
    assert path.read_bytes() == b"precious"
    write(path, "flac", music(RATE_HZ, 0.1), replace=True)
    assert open_source(path).format.length_frames == RATE_HZ // 10
    with pytest.raises(CopyError, match="folder is not there"):
        open_sink(tmp_path / "none" / "a.flac", "flac", rate_hz=RATE_HZ, channels=2)


@pytest.mark.parametrize(
    ("kind", "options", "words"),
    [
        ("ogg", {}, "kind 'ogg' must be one of flac, alac"),
        ("mp3-320", {"rate_hz": 96_000}, "rate_hz=96000 must be one of 32000, 44100, 48000"),
        ("opus", {"rate_hz": 44_100}, "must be one of 48000"),
        ("aac", {"rate_hz": 192_000}, "must be one of"),
        ("flac", {"rate_hz": 700_000}, "must lie between 8000 and 655350"),
        ("flac", {"bits": 32}, "bits=32 must be 16 or 24"),
        ("flac", {"is_float": True}, "float samples can be kept in wav only"),
        ("wav", {"is_float": True}, "bits=24 must be 32 or 64"),
        ("wav", {"channels": 6}, "channels=6 must be 1 or 2"),
    ],
)
def test_what_a_kind_cannot_hold(tmp_path: Path, kind: str, options: dict[str, Any], words: str) -> None:
    settings_ = {"rate_hz": RATE_HZ, "channels": 2, **options}
    with pytest.raises(ParameterError, match=words):
        open_sink(tmp_path / "a", kind, **settings_)
    assert os.listdir(tmp_path) == []


def test_blocks_of_the_wrong_shape(tmp_path: Path) -> None:
    sink = open_sink(tmp_path / "a.wav", "wav", rate_hz=RATE_HZ, channels=2)
    for block in (np.zeros(5), np.zeros((5, 1))):
        with pytest.raises(ParameterError, match="2 columns"):
            sink.write(block)
    sink.abandon()


@pytest.mark.parametrize("kind", list(CODECS))
def test_no_sound_is_no_copy(tmp_path: Path, kind: str) -> None:
    with pytest.raises(CopyError, match="no sound was given"):
        write(tmp_path / name_of(kind), kind, np.zeros((0, 2)))
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("kind", list(CODECS))
def test_silence_and_what_is_not_a_number(tmp_path: Path, kind: str) -> None:
    write(tmp_path / "silent", kind, np.zeros((RATE_HZ, 2)))
    assert np.abs(open_source(tmp_path / "silent").read(0, RATE_HZ)).max() < 1e-4
    sound = music(RATE_HZ, 1.0)
    sound[500:520] = np.nan
    sound[700, 0] = np.inf
    sound[900:902] = 1e30
    write(tmp_path / "odd", kind, sound)
    got = open_source(tmp_path / "odd").read(0, RATE_HZ)
    assert np.isfinite(got).all()
    assert np.abs(got).max() < 8.0
    # What comes after is as it was.
    after = slice(RATE_HZ // 2, RATE_HZ)
    assert np.sqrt(np.mean((got - music(RATE_HZ, 1.0))[after] ** 2)) < 0.02


def test_past_full_scale_stops_there_and_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    with open_sink(path, "flac", rate_hz=RATE_HZ, channels=2, bits=16) as sink:
        sink.write(np.array([[1.5, -1.5], [1.0, -1.0], [0.5, -0.5]]))
    got = open_source(path).read(0, 3) * 32_768
    assert got.tolist() == [[32_767, -32_768], [32_767, -32_768], [16_384, -16_384]]
    assert sink.written.past_full_scale == 3


def test_floats_in_wav_stay_bit_for_bit(tmp_path: Path) -> None:
    sound = np.array([[0.1, np.nan], [-7.0, 1e-300]])
    write(tmp_path / "a.wav", "wav", sound, bits=64, is_float=True)
    np.testing.assert_array_equal(open_source(tmp_path / "a.wav").read(0, 2), sound)


def test_bwf_carries_its_bext(tmp_path: Path) -> None:
    chunk = Bext(description="Side B", coding_history="A=ANALOGUE,M=stereo\r\n")
    write(tmp_path / "a.wav", "bwf", music(RATE_HZ, 0.1), bext=chunk)
    content = (tmp_path / "a.wav").read_bytes()
    at = content.index(b"bext")
    size = int.from_bytes(content[at + 4 : at + 8], "little")
    assert Bext.from_bytes(content[at + 8 : at + 8 + size]) == chunk


@pytest.mark.parametrize("kind", list(CODECS))
def test_a_meter_hears_the_copy(tmp_path: Path, kind: str) -> None:
    heard: list[Audio] = []
    write(tmp_path / "a", kind, music(RATE_HZ, 0.5), listen=lambda block: heard.append(block.copy()))
    got = open_source(tmp_path / "a").read(0, RATE_HZ // 2)
    np.testing.assert_allclose(np.concatenate(heard), got, atol=2e-4)


@settings(max_examples=60, deadline=None)
@given(st.integers(16, 32).filter(lambda bits: bits in (16, 24, 32)), st.integers(0, 2**32 - 1))
def test_whole_numbers_round_trip(bits: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    whole = whole_numbers(rng, 64, 2, bits)
    back, past = to_whole(to_float(whole, bits), bits)
    assert past == 0
    np.testing.assert_array_equal(back, whole)
    # The plain way: one sample at a time.
    plain = b"".join(int(v).to_bytes(bits // 8, "little", signed=True) for v in whole.ravel())
    assert pack_samples(whole, bits) == plain


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 400), min_size=1, max_size=8))
def test_the_level_does_not_depend_on_blocks(sizes: list[int]) -> None:
    sound = music(44_100, 0.1)[: sum(sizes)]
    whole, parts = DifferenceMeter(44_100, 2), DifferenceMeter(44_100, 2)
    whole.add(sound)
    at = 0
    for size in sizes:
        parts.add(sound[at : at + size])
        at += size
    assert parts.level == pytest.approx(whole.level, rel=1e-12)


@pytest.mark.parametrize("frames", [1, 2, 3, 4, 7, 4_097])
@pytest.mark.parametrize("channels", [1, 2])
def test_packing_does_not_need_fours(frames: int, channels: int, rng: np.random.Generator) -> None:
    whole = rng.integers(-(1 << 23), 1 << 23, (frames, channels))
    plain = b"".join(int(v).to_bytes(3, "little", signed=True) for v in whole.ravel())
    assert pack_samples(whole, 24) == plain


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_unpacking_is_exact(bits: int, rng: np.random.Generator) -> None:
    whole = rng.integers(-(1 << (bits - 1)), 1 << (bits - 1), (501, 2))
    whole[0], whole[1] = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    for before in (0x00, 0x7F, 0xFF):
        data = bytearray([before]) + pack_samples(whole, bits)
        np.testing.assert_array_equal(
            unpack_samples(data, 1002, bits), (whole / 2.0 ** (bits - 1)).reshape(-1)
        )


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=200), st.integers(1, 40), st.lists(st.integers(0, 60), max_size=9))
def test_the_sums_of_stripes_do_not_depend_on_blocks(data: bytes, stripe: int, cuts: list[int]) -> None:
    """The plain way is the standard library's CRC-32 of every stripe."""
    plain = tuple(zlib.crc32(data[at : at + stripe]) for at in range(0, len(data), stripe))
    summed, at = StripeSums(stripe), 0
    for size in [*cuts, len(data)]:
        summed.update(data[at : at + size])
        at += size
    assert summed.sums == plain


def test_a_stripe_is_summed_as_the_standard_says() -> None:
    """CRC-32 of the nine digits by its published check value: 0xCBF43926 (from memory; ISO 3309, RFC 1952)."""
    summed = StripeSums(9)
    summed.update(b"123456789")
    assert summed.sums == (0xCBF43926,)


@pytest.mark.parametrize("kind", ["wav", "aiff"])
@pytest.mark.parametrize("harm", ["one bit", "two stripes changed places", "cut short"])
def test_whatever_changes_in_any_stripe_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rng: np.random.Generator, kind: str, harm: str
) -> None:
    """Five stripes, the last of them short, read by two threads."""
    monkeypatch.setattr(room, "STRIPE_FRAMES", 1_000)
    whole = rng.integers(-(1 << 23), 1 << 23, (4_100, 2)).astype(np.int32)
    frame_bytes = 6

    def meddle(part: Path, stripe: int) -> None:
        data = bytearray(part.read_bytes())
        first = len(data) - 4_100 * frame_bytes
        at = first + stripe * 1_000 * frame_bytes
        if harm == "one bit":
            data[at + 100] ^= 1
        elif harm == "cut short":
            del data[at + 100 * frame_bytes :]
        else:
            other = first + (stripe + 1) % 4 * 1_000 * frame_bytes
            size = 1_000 * frame_bytes
            data[at : at + size], data[other : other + size] = (
                data[other : other + size],
                data[at : at + size],
            )
        part.write_bytes(data)

    for stripe in range(5 if harm == "one bit" else 4):
        path = tmp_path / f"{stripe}.{kind}"
        sink = open_sink(
            path, kind, rate_hz=44_100, channels=2, finish=functools.partial(meddle, stripe=stripe)
        )
        sink.write_int(whole)
        with pytest.raises(CopyError):
            sink.close()
        assert not list(tmp_path.iterdir())


def test_a_copy_is_on_the_disk_before_it_gets_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the folder's entry after it; while it is written nothing is waited for."""
    done: list[str] = []
    flush, link = os.fsync, os.link
    monkeypatch.setattr(os, "fsync", lambda file: (done.append("flush"), flush(file))[1])
    monkeypatch.setattr(os, "fdatasync", lambda file: done.append("flush"))
    monkeypatch.setattr(os, "link", lambda old, new: (done.append("name"), link(old, new))[1])
    sink = open_sink(tmp_path / "a.wav", "wav", rate_hz=44_100, channels=2)
    sink.write(0.1 * music(44_100, 0.2))
    assert done == []
    sink.close()
    assert done.count("name") == 1
    assert "flush" in done[: done.index("name")]
    assert "flush" in done[done.index("name") :]


def test_room_that_is_there_already_gives_the_same(rng: np.random.Generator) -> None:
    """Larger than needed, and too small."""
    whole = rng.integers(-(1 << 23), 1 << 23, (501, 2)).astype(np.int32)
    plain = bytes(pack_samples(whole, 24))
    for size in (0, 3_005, 3_006, 5_000):
        assert bytes(pack_samples(whole, 24, np.full(size, 9, np.uint8))) == plain
    data = bytearray(1) + plain
    room = np.full(2_000, 9, np.int32)
    np.testing.assert_array_equal(unpack_samples(data, 1_002, 24, room), unpack_samples(data, 1_002, 24))
