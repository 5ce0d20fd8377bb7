"""Reading every kind of recording: facts, exact samples, any span, any thread."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.errors import AudioFileError, ParameterError
from sidekeep.files.reading.library_source import SndfileSource
from sidekeep.files.reading.reader import open_source, open_take
from sidekeep.files.writing.sinks import codec_of, open_sink
from tests.files.sounds import music, wav_bytes, whole_numbers
from tests.outside import library

FORMS = [
    ("WAV", "PCM_16", 16, False, "wav"),
    ("WAV", "PCM_24", 24, False, "wav"),
    ("WAV", "PCM_32", 32, False, "wav"),
    ("WAV", "FLOAT", 32, True, "wav"),
    ("WAV", "DOUBLE", 64, True, "wav"),
    ("WAVEX", "PCM_24", 24, False, "wav"),
    ("RF64", "PCM_24", 24, False, "rf64"),
    ("W64", "PCM_24", 24, False, "w64"),
    ("AIFF", "PCM_16", 16, False, "aiff"),
    ("AIFF", "PCM_24", 24, False, "aiff"),
    ("CAF", "PCM_24", 24, False, "caf"),
    ("FLAC", "PCM_16", 16, False, "flac"),
    ("FLAC", "PCM_24", 24, False, "flac"),
]


@pytest.mark.parametrize(("form", "subtype", "bits", "is_float", "container"), FORMS)
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_and_facts(
    tmp_path: Path,
    rng: np.random.Generator,
    form: str,
    subtype: str,
    bits: int,
    is_float: bool,
    container: str,
    channels: int,
) -> None:
    path = tmp_path / "take.bin"
    whole = whole_numbers(rng, 3001, channels, min(bits, 24))
    expected = whole / float(1 << (min(bits, 24) - 1))
    soundfile.write(path, expected, 96_000, format=form, subtype=subtype)
    source = open_source(path)
    facts = source.format
    assert (facts.rate_hz, facts.channels, facts.bits, facts.is_float) == (96_000, channels, bits, is_float)
    assert (facts.length_frames, facts.container) == (3001, container)
    assert source.problems == []
    got = source.read(0, 3001)
    assert got.dtype == np.float64
    # 32-bit files were written from 24-bit values, so that every form must be exact.
    np.testing.assert_array_equal(got, expected)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_rates(tmp_path: Path, rate_hz: int) -> None:
    for suffix in (".wav", ".flac"):
        path = tmp_path / f"a{suffix}"
        soundfile.write(path, np.zeros((10, 2)), rate_hz, subtype="PCM_24")
        assert open_source(path).format.rate_hz == rate_hz


@pytest.mark.parametrize(
    ("kind", "bits"),
    [("alac", 16), ("alac", 24), ("mp3-320", 32), ("mp3-variable", 32), ("aac", 32), ("opus", 32)],
)
def test_decoded_kinds_give_the_length_that_went_in(tmp_path: Path, kind: str, bits: int) -> None:
    sound = music(48_000, 1.2345)
    path = tmp_path / f"a{codec_of(kind).suffix}"
    with open_sink(path, kind, rate_hz=48_000, channels=2, bits=bits if kind == "alac" else 24) as sink:
        sink.write(sound)
    source = open_source(path)
    assert source.format.length_frames == len(sound)
    assert (source.format.bits, source.format.is_float) == (bits, kind != "alac")
    assert source.problems == []
    got = source.read(0, len(sound))
    if kind == "alac":
        step = 1.0 / (1 << (bits - 1))
        assert np.abs(got - sound).max() <= step / 2 + 1e-12
    else:
        # In place: one frame off would leave a larger rest than the codec's own loss.
        rest = np.sqrt(np.mean((got - sound) ** 2))
        for shift in (-1, 1):
            assert rest < 0.9 * np.sqrt(np.mean((np.roll(got, shift, axis=0) - sound) ** 2))


def test_wavpack_and_matroska_through_the_general_decoder(tmp_path: Path, rng: np.random.Generator) -> None:
    av = library("av")
    whole = whole_numbers(rng, 20_000, 2, 24)
    for name, codec, container in (("a.wv", "wavpack", "wv"), ("a.mka", "flac", "matroska")):
        path = tmp_path / name
        with av.open(str(path), "w", format=container) as out:
            stream = out.add_stream(codec, rate=96_000, layout="stereo")
            planar = codec == "wavpack"
            stream.codec_context.format = av.AudioFormat("s32p" if planar else "s32")
            array = (whole << 8).T if planar else (whole << 8).reshape(1, -1)
            form = "s32p" if planar else "s32"
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(array), format=form, layout="stereo")
            frame.sample_rate, frame.pts, frame.time_base = 96_000, 0, Fraction(1, 96_000)
            out.mux(stream.encode(frame))
            out.mux(stream.encode(None))
        source = open_source(path)
        assert (source.format.bits, source.format.length_frames) == (24, 20_000)
        np.testing.assert_array_equal(source.read(0, 20_000), whole / 2.0**23)


@pytest.fixture(scope="module")
def three_sources(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("sources")
    sound = music(44_100, 0.2)
    soundfile.write(folder / "a.wav", sound, 44_100, subtype="PCM_24")
    soundfile.write(folder / "b.flac", sound[:5000], 44_100, subtype="PCM_16")
    with open_sink(folder / "c.mp3", "mp3-320", rate_hz=44_100, channels=2) as sink:
        sink.write(sound[:7001])
    return [folder / "a.wav", folder / "b.flac", folder / "c.mp3"]


@settings(max_examples=40, deadline=None)
@given(
    block=st.integers(1, 9000),
    start=st.integers(0, 7001),
    length=st.integers(0, 20_000),
    which=st.integers(0, 3),
)
def test_blocks_of_any_size_give_the_whole(
    three_sources: list[Path], block: int, start: int, length: int, which: int
) -> None:
    source = open_take(three_sources) if which == 3 else open_source(three_sources[which])
    total = source.format.length_frames
    whole = next(iter(source.blocks(total)))
    assert whole.shape == (total, 2)
    start = min(start, total)
    stop = min(total, start + length)
    blocks = list(source.blocks(block, start, stop))
    assert all(len(part) == block for part in blocks[:-1])
    got = np.concatenate(blocks) if blocks else np.zeros((0, 2))
    np.testing.assert_array_equal(got, whole[start:stop])
    np.testing.assert_array_equal(source.read(start, stop), whole[start:stop])


def test_many_threads_read_one_source(three_sources: list[Path]) -> None:
    source = open_take(three_sources)
    total = source.format.length_frames
    whole = source.read(0, total)

    def check(seed: int) -> bool:
        rng = np.random.default_rng(seed)
        for _ in range(20):
            start, stop = sorted(rng.integers(0, total, 2).tolist())
            if not np.array_equal(
                np.concatenate([*source.blocks(997, start, stop), whole[:0]]), whole[start:stop]
            ):
                return False
        return True

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(check, range(16)))


def test_joined_files_follow_each_other(three_sources: list[Path]) -> None:
    parts = [open_source(path) for path in three_sources]
    take = open_take(three_sources)
    expected = np.concatenate([part.read(0, part.format.length_frames) for part in parts])
    np.testing.assert_array_equal(take.read(0, take.format.length_frames), expected)
    assert take.format.length_frames == 8820 + 5000 + 7001
    assert take.format.is_float
    assert open_take(three_sources[:1]).format == parts[0].format


@pytest.mark.parametrize("block", [1, 997, 1000, 4096, 6000, 9000, 30_000])
def test_blocks_go_on_from_file_to_file(three_sources: list[Path], block: int) -> None:
    take = open_take(three_sources)
    total = take.format.length_frames
    blocks = list(take.blocks(block))
    assert [len(part) for part in blocks[:-1]] == [block] * (len(blocks) - 1)
    assert 0 < len(blocks[-1]) <= block
    np.testing.assert_array_equal(np.concatenate(blocks), take.read(0, total))


def test_problems_keep_their_place_in_a_joined_take(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((1000, 2)), 48_000, subtype="PCM_16")
    (tmp_path / "b.wav").write_bytes(wav_bytes(bytes(4 * 300), claimed=4 * 500))
    take = open_take([tmp_path / "a.wav", tmp_path / "b.wav"])
    assert [(p.kind, p.start_frame, p.stop_frame) for p in take.problems] == [("truncated-file", 1300, 1300)]


def test_files_of_one_side_must_be_alike(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((10, 2)), 44_100)
    soundfile.write(tmp_path / "b.wav", np.zeros((10, 2)), 48_000)
    soundfile.write(tmp_path / "c.wav", np.zeros(10), 44_100)
    with pytest.raises(AudioFileError, match=r"b\.wav has 48000 Hz"):
        open_take([tmp_path / "a.wav", tmp_path / "b.wav"])
    with pytest.raises(AudioFileError, match=r"c\.wav has 44100 Hz and 1 channel,"):
        open_take([tmp_path / "a.wav", tmp_path / "c.wav"])
    with pytest.raises(AudioFileError, match="no file"):
        open_take([])


def test_spans_outside_are_refused(three_sources: list[Path]) -> None:
    source = open_source(three_sources[0])
    for span in ((-1, 10), (0, 8821), (5, 4)):
        with pytest.raises(ParameterError, match="within the 8820 frames"):
            source.read(*span)
    with pytest.raises(ParameterError, match="block_frames"):
        source.blocks(0)
    assert source.read(8820, 8820).shape == (0, 2)


def test_float_files_pass_what_is_not_a_number(tmp_path: Path) -> None:
    sound = np.array([[0.5, np.nan], [np.inf, -2.5], [1e-20, -np.inf]])
    soundfile.write(tmp_path / "a.wav", sound, 96_000, subtype="DOUBLE")
    # infinity is no number either: from here on it is one of those that the survey counts and tells
    told = np.where(np.isinf(sound), np.nan, sound)
    np.testing.assert_array_equal(open_source(tmp_path / "a.wav").read(0, 3), told)


def test_eight_bit_files(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.array([-1.0, 0.0, 0.5]), 44_100, subtype="PCM_U8")
    source = open_source(tmp_path / "a.wav")
    assert source.format.bits == 8
    np.testing.assert_array_equal(source.read(0, 3)[:, 0], [-1.0, 0.0, 0.5])


@pytest.mark.parametrize("endian", ["LITTLE", "BIG"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_a_caf_file_of_unknown_length_is_read_where_it_lies(
    tmp_path: Path, subtype: str, endian: str
) -> None:
    """A recorder that was cut off leaves the size -1 (Apple, "Core Audio Format Specification 1.0"). Decoded whole to be opened, an
    hour of it took minutes."""
    audio = np.random.default_rng(3).uniform(-0.5, 0.5, (5_000, 2))
    soundfile.write(tmp_path / "a.caf", audio, 48_000, subtype=subtype, endian=endian)
    wanted, _ = soundfile.read(tmp_path / "a.caf", dtype="float64")
    content = bytearray((tmp_path / "a.caf").read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 8] = b"\xff" * 8
    (tmp_path / "b.caf").write_bytes(content)
    source = open_source(tmp_path / "b.caf")
    assert isinstance(source, SndfileSource)
    assert (source.format.rate_hz, source.format.length_frames) == (48_000, 5_000)
    np.testing.assert_array_equal(np.concatenate(list(source.blocks(1_000))), wanted)
