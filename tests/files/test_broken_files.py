"""Files that are broken or are not recordings: what is there is read, the rest is one line."""

from __future__ import annotations

import io
import os
import struct
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sidekeep.errors import AudioFileError
from sidekeep.files.reading.reader import open_source
from sidekeep.files.writing.sinks import codec_of, open_sink
from sidekeep.flow.ports import Audio
from sidekeep.wording.findings import finding_text
from tests.files.sounds import music, wav_bytes, whole_numbers
from tests.outside import library


def one_line(path: Path, words: str) -> None:
    """The file is refused in one line that names it and says ``words``."""
    with pytest.raises(AudioFileError, match=words) as caught:
        open_source(path)
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)


def answer(path: Path) -> tuple[Audio, str]:
    """All of its sound and nothing said, or no sound and what was said."""
    try:
        source = open_source(path)
        got = source.read(0, source.format.length_frames)
    except AudioFileError as error:
        return np.zeros((0, 2)), str(error)
    assert got.shape == (source.format.length_frames, source.format.channels)
    return got, ""


def kinds_of(path: Path) -> list[str]:
    return [problem.kind for problem in open_source(path).problems]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"Side A\n1. A Song of the Sea 3:45\n" * 50, "not audio"),
        (bytes(10_000), "not audio|no sound|no audio"),
        (b"RIFF", "not audio|no sound"),
        (wav_bytes(b"")[:20], "not audio|no sound"),
        (wav_bytes(b""), "holds no sound"),
        (wav_bytes(bytes(4000), rate_hz=100), "8000 to 384000 is allowed"),
        (wav_bytes(bytes(4000), rate_hz=768_000), "8000 to 384000 is allowed"),
        (wav_bytes(bytes(4000), rate_hz=4_000_000_000), "sample rate is 4000000000 Hz"),
        (wav_bytes(bytes(4000), channels=0), "unknown form"),
        (wav_bytes(bytes(12 * 100), channels=6), "6 channels; a record has one or two"),
        (wav_bytes(bytes(4000)).replace(b"fmt ", b"fmt_"), "not audio|no sound"),
        (b"\x89PNG\r\n\x1a\n" + bytes(500), "not audio|no audio"),
        (b"ID3\x04\x00\x00\x00\x00\x00\x00" + bytes(100), "not audio|no sound|no audio"),
        (b"fLaC\x00\x00\x00\x22" + bytes(34), "not audio|no sound|no audio|unknown form"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_no_recording(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "side a.wav"
    path.write_bytes(content)
    one_line(path, words)


def test_no_file(tmp_path: Path) -> None:
    one_line(tmp_path / "none.wav", "does not exist")
    one_line(tmp_path, "is a folder")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    one_line(tmp_path / "loop", "a link to something that is not there")
    (tmp_path / "away.wav").symlink_to(tmp_path / "unplugged" / "away.wav")
    one_line(tmp_path / "away.wav", "a link to something that is not there")
    one_line(tmp_path / ("n" * 300), "cannot be read")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.wav")
        one_line(tmp_path / "pipe.wav", "not an ordinary file")


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="this system has no user ids")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav_bytes(bytes(400)))
    path.chmod(0)
    was = os.geteuid()
    if was == 0:
        os.seteuid(65_534)
    try:
        one_line(path, "not permitted to read")
    finally:
        os.seteuid(was)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize(
    ("claimed", "there", "kind"),
    [
        (0, 1000, "unfinished-file"),
        (0xFFFFFFFF, 1000, "unfinished-file"),
        (0x7FFFFFFF, 1000, "unfinished-file"),
        (0x7FFFFFFF - 36, 1000, "unfinished-file"),
        (0xFFFFFFFF - 44, 1000, "unfinished-file"),
        (600, 1000, "unfinished-file"),
        (5000, 1000, "truncated-file"),
        (1000, 1000, None),
    ],
)
def test_headers_that_are_wrong(
    tmp_path: Path,
    rng: np.random.Generator,
    channels: int,
    bits: int,
    claimed: int,
    there: int,
    kind: str | None,
) -> None:
    path = tmp_path / "a.wav"
    whole = whole_numbers(rng, there, channels, bits)
    packed = whole.astype("<i4").view(np.uint8).reshape(-1, 4)[:, : bits // 8].tobytes()
    align = channels * bits // 8
    size = claimed if claimed > 100_000 else claimed * align
    path.write_bytes(wav_bytes(packed, channels=channels, bits=bits, claimed=size))
    source = open_source(path)
    assert source.format.length_frames == there
    np.testing.assert_array_equal(source.read(0, there), whole / float(1 << (bits - 1)))
    assert [problem.kind for problem in source.problems] == ([kind] if kind else [])
    if kind:
        assert source.problems[0].facts["read_frames"] == there
        assert "a.wav" in finding_text(source.problems[0], source.format.rate_hz)
    # A second reader sees the same from the middle.
    np.testing.assert_array_equal(source.read(700, 900), whole[700:900] / float(1 << (bits - 1)))


def test_chunks_after_the_samples_are_not_sound(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    tail = b"LIST" + struct.pack("<I", 26) + b"INFOINAM" + struct.pack("<I", 14) + b"Song of a Sea\0"
    path.write_bytes(wav_bytes(bytes(range(200)) * 4, after=tail))
    source = open_source(path)
    assert source.format.length_frames == 200
    assert source.problems == []


@pytest.mark.parametrize(
    ("tail", "frames"),
    [
        (b"TAG" + bytes(125), 200),
        (b"ID3\x04\x00\x00\x00\x00\x01\x02" + bytes(130), 200),
        (b"ID3\x04\x00\x00\x00\x00\x01\x02" + bytes(130) + b"TAG" + bytes(125), 200),
        (b"TAG" + bytes(126), 232),  # anything else may be the sound of a writer that was killed
        (b"ID3\x04\x00\x00\x00\x00\x01\x02" + bytes(126), 234),
    ],
)
def test_tags_hung_on_behind_the_file_are_not_sound(tmp_path: Path, tail: bytes, frames: int) -> None:
    """They would be heard as a crash after the last sample. ID3v2 as id3.org describes it, ID3v1 from memory."""
    path = tmp_path / "a.wav"
    path.write_bytes(wav_bytes(bytes(range(200)) * 4) + tail)
    source = open_source(path)
    assert source.format.length_frames == frames
    assert [problem.kind for problem in source.problems] == ([] if frames == 200 else ["unfinished-file"])


def test_a_torn_last_frame_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav_bytes(bytes(6 * 100 + 4), bits=24, claimed=0))
    assert open_source(path).format.length_frames == 100


def test_rf64_left_by_a_killed_writer(tmp_path: Path, rng: np.random.Generator) -> None:
    """The size block holds zeros: soundfile alone sees 0 frames."""
    path = tmp_path / "a.wav"
    whole = whole_numbers(rng, 5000, 2, 24)
    soundfile.write(path, whole / 2.0**23, 96_000, format="RF64", subtype="PCM_24")
    content = bytearray(path.read_bytes())
    content[20:44] = bytes(24)
    path.write_bytes(content)
    assert soundfile.info(path).frames == 0
    source = open_source(path)
    assert kinds_of(path) == ["unfinished-file"]
    assert source.format.container == "rf64"
    np.testing.assert_array_equal(source.read(0, 5000), whole / 2.0**23)


@pytest.mark.parametrize("form", ["WAV", "RF64", "W64", "AIFF", "FLAC", "CAF", "AU"])
def test_a_file_cut_in_half(tmp_path: Path, form: str) -> None:
    path = tmp_path / "a.bin"
    sound = music(48_000, 2.0)
    soundfile.write(path, sound, 48_000, format=form, subtype="PCM_24")
    whole = open_source(path).read(0, len(sound))
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    source = open_source(path)
    assert kinds_of(path) == ["truncated-file"]
    frames = source.format.length_frames
    assert 0.35 * len(sound) < frames < 0.55 * len(sound)
    got = source.read(0, frames)
    np.testing.assert_array_equal(got, whole[:frames])
    assert source.problems[0].facts["claimed_frames"] == pytest.approx(len(sound), abs=40)


@pytest.mark.parametrize("kind", ["mp3-320", "aac", "alac", "opus"])
def test_a_packed_file_cut_in_half(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"a{codec_of(kind).suffix}"
    sound = music(48_000, 4.0)
    with open_sink(path, kind, rate_hz=48_000, channels=2, bits=16) as sink:
        sink.write(sound)
    whole = open_source(path).read(0, len(sound))
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    source = open_source(path)
    frames = source.format.length_frames
    assert 0.3 * len(sound) < frames < 0.6 * len(sound)
    np.testing.assert_array_equal(source.read(0, frames - 4096), whole[: frames - 4096])
    assert set(kinds_of(path)) & {"truncated-file", "damaged-file"}


def ogg_pages(content: bytes) -> list[int]:
    """Where the pages of an Ogg file begin, by their own lengths (RFC 3533, section 6), and the end of the last."""
    at = [0]
    while at[-1] < len(content):
        head = content[at[-1] :]
        assert head[:4] == b"OggS"
        at.append(at[-1] + 27 + head[26] + sum(head[27 : 27 + head[26]]))
    return at


@pytest.mark.parametrize("subtype", ["OPUS", "VORBIS"])
def test_an_ogg_file_cut_at_a_page_may_be_whole_and_one_cut_elsewhere_is_not(
    tmp_path: Path, subtype: str
) -> None:
    """The last page of a stream has the flag 0x04 (RFC 3533, section 6), which some writers never set (common practice, no
    source). The outside: files by libsndfile."""
    path = tmp_path / "a.ogg"
    soundfile.write(path, music(48_000, 4.0), 48_000, format="OGG", subtype=subtype)
    content = path.read_bytes()
    pages = ogg_pages(content)
    assert kinds_of(path) == []
    path.write_bytes(content + b"TAG" + bytes(125))  # tags of another kind after it
    assert kinds_of(path) == []
    for at in pages[-3:-1]:
        path.write_bytes(content[:at])
        assert kinds_of(path) == ["end-not-marked"]
        for more in (1, 3, 5, 27, 40, 200):
            path.write_bytes(content[: at + more])
            assert kinds_of(path) == ["truncated-file"]
    # The pattern that pages begin with may stand in the sound by chance.
    path.write_bytes(content[:-30] + b"OggS" + content[-26:])
    assert "truncated-file" not in kinds_of(path)
    assert "end-not-marked" not in kinds_of(path)


def test_a_file_of_the_system_that_waits_for_ever_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """/proc/kmsg calls itself an ordinary file of 0 bytes, and reading it waits: a file of 0 bytes is not read."""
    path = tmp_path / "a.wav"
    path.touch()
    monkeypatch.setattr("builtins.open", lambda *_, **__: pytest.fail("was read"))
    one_line(path, "is empty")


@pytest.mark.parametrize(("suffix", "codec", "form"), [("mka", "flac", "s16"), ("wv", "wavpack", "s16p")])
def test_a_file_of_few_large_pieces_cut_in_half(tmp_path: Path, suffix: str, codec: str, form: str) -> None:
    """Matroska tells its length for the whole file only (RFC 9559, 5.1.2.10); what the decoder holds back when the container
    breaks off is sound too."""
    av = library("av")
    path = tmp_path / f"a.{suffix}"
    whole = whole_numbers(np.random.default_rng(2), 132_300, 2, 16).astype(np.int16)
    with av.open(str(path), "w", format={"mka": "matroska"}.get(suffix, suffix)) as out:
        stream = out.add_stream(codec, rate=44_100, layout="stereo")
        stream.codec_context.format = av.AudioFormat(form)
        array = whole.T if form == "s16p" else whole.reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(array), format=form, layout="stereo")
        frame.sample_rate, frame.pts, frame.time_base = 44_100, 0, Fraction(1, 44_100)
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    content = path.read_bytes()
    path.write_bytes(content[: len(content) * 6 // 10])
    source = open_source(path)
    frames = source.format.length_frames
    assert 0.3 * len(whole) < frames < 0.65 * len(whole)
    np.testing.assert_array_equal(source.read(0, frames), whole[:frames] / 2.0**15)
    assert "truncated-file" in kinds_of(path)


def test_flac_left_by_a_killed_writer(tmp_path: Path) -> None:
    """No total, no checksum, a broken last frame: all whole frames are read."""
    path = tmp_path / "a.flac"
    sound = music(48_000, 2.0)
    soundfile.write(path, sound, 48_000, subtype="PCM_24")
    content = bytearray(path.read_bytes()[:-500])
    content[21] &= 0xF0
    content[22:42] = bytes(20)
    path.write_bytes(content)
    source = open_source(path)
    frames = source.format.length_frames
    assert len(sound) - 8192 < frames < len(sound)
    assert source.format.bits == 24
    np.testing.assert_allclose(source.read(0, frames), sound[:frames], atol=2.0**-23)


def test_damage_in_the_middle_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, music(48_000, 2.0), 48_000, subtype="PCM_24")
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 2000] = bytes(2000)
    path.write_bytes(content)
    got, said = answer(path)
    assert "it is damaged there" in said
    assert len(got) == 0


def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav_bytes(bytes(400_000)))
    source = open_source(path)
    os.truncate(path, 1000)
    with pytest.raises(AudioFileError, match="cannot be read past 0:00"):
        source.read(0, 100_000)
    path.unlink()
    with pytest.raises(AudioFileError, match="cannot be read past"):
        source.read(0, 100)


def _small(form: str) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, music(44_100, 0.05), 44_100, format=form, subtype="PCM_16")
    return file.getvalue()


SMALL = [_small(form) for form in ("WAV", "RF64", "FLAC", "AIFF", "W64", "CAF", "AU")]


@settings(max_examples=150, deadline=None)
@given(
    which=st.integers(0, len(SMALL) - 1),
    changes=st.lists(st.tuples(st.integers(0, 120), st.integers(0, 255)), max_size=5),
    keep=st.floats(0.0, 1.0),
)
@example(which=1, changes=[], keep=0.005)
@example(which=5, changes=[(12, 0x7F)], keep=1.0)  # a chunk longer than any file
def test_any_damage_is_an_answer_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, which: int, changes: list[tuple[int, int]], keep: float
) -> None:
    content = bytearray(SMALL[which])
    for place, value in changes:
        content[min(place, len(content) - 1)] = value
    path = tmp_path_factory.mktemp("fuzz") / "a.bin"
    path.write_bytes(content[: round(len(content) * keep)])
    got, said = answer(path)
    assert (len(got) > 0) != bool(said)
    assert "\n" not in said


def chunk(name: bytes, body: bytes, *, is_padded: bool) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2 if is_padded else 0)


@pytest.mark.parametrize("is_padded", [True, False])
@pytest.mark.parametrize("bits", [16, 8])
def test_a_chunk_of_odd_length_may_lack_its_padding(tmp_path: Path, is_padded: bool, bits: int) -> None:
    """RIFF 1.0 (Microsoft/IBM 1991) wants a byte of padding; that programs forget it is common practice, no source. Chunks stand
    before and after the samples, and of 8 bits an odd number of samples is one too."""
    samples = (
        np.random.default_rng(3).integers(0, 256, 40_001 if bits == 8 else 80_000).astype(np.uint8).tobytes()
    )
    form = struct.pack("<HHIIHH", 1, 1, 44_100, 44_100 * bits // 8, bits // 8, bits)
    note = b"INFOICMT" + struct.pack("<I", 5) + b"dust!"
    body = b"".join(
        [
            chunk(b"LIST", note, is_padded=is_padded),
            chunk(b"fmt ", form, is_padded=True),
            chunk(b"id3 ", b"ID3" + bytes(10), is_padded=is_padded),
            chunk(b"data", samples, is_padded=is_padded),
            chunk(b"LIST", note, is_padded=is_padded),
            chunk(b"cue ", bytes(4), is_padded=True),
        ]
    )
    path = tmp_path / "take.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body)
    source = open_source(path)
    kind, zero, full = (np.uint8, 128.0, 128.0) if bits == 8 else (np.dtype("<i2"), 0.0, 32768.0)
    expected = (np.frombuffer(samples, kind).astype(np.float64) - zero) / full
    got = source.read(0, source.format.length_frames)
    np.testing.assert_array_equal(got[:, 0], expected)
    assert source.problems == []
