"""A file that is read back while it grows: the same is noticed as when it is read at its end, and nothing is left behind."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.errors import CopyError
from sidekeep.files.wave import rf64
from sidekeep.files.writing import follow
from sidekeep.files.writing.sink import FileSink
from sidekeep.files.writing.sinks import open_sink

FRAMES = 40_000


@pytest.fixture(autouse=True)
def near(monkeypatch: pytest.MonkeyPatch) -> None:
    """A follower every few thousand frames behind."""
    monkeypatch.setattr(follow, "STEP_BYTES", 30_000)


def begin(path: Path, bits: int, is_float: bool, channels: int) -> FileSink:
    return open_sink(path, "wav", rate_hz=44_100, channels=channels, bits=bits, is_float=is_float)


@pytest.mark.parametrize(
    ("bits", "is_float", "channels"), [(16, False, 2), (24, False, 1), (24, False, 2), (32, True, 2)]
)
@pytest.mark.parametrize("block", [999, 7_001])
def test_what_was_followed_is_in_the_file(
    tmp_path: Path, rng: np.random.Generator, bits: int, is_float: bool, channels: int, block: int
) -> None:
    """By the sound library; blocks of odd numbers of bytes are among them. The peak is that of the samples."""
    path = tmp_path / "a.wav"
    steps = rng.integers(-(1 << (bits - 1)), 1 << (bits - 1), (FRAMES, channels))
    sound = steps.astype(np.float32 if is_float else np.float64) / (1 << (bits - 1))
    sink = begin(path, bits, is_float, channels)
    for at in range(0, FRAMES, block):
        sink.write(sound[at : at + block].astype(np.float64))
    follower = sink._follower
    assert follower is not None
    assert follower.has_begun
    sink.close()
    got, _ = soundfile.read(path, dtype="float64", always_2d=True)
    assert np.array_equal(got, sound)
    assert sink.written.peak == pytest.approx(float(np.abs(sound).max()), abs=0.0)
    assert [each.name for each in tmp_path.iterdir()] == ["a.wav"]


@pytest.mark.parametrize("block", [0, 3, 9])
def test_a_bit_that_changes_on_its_way_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rng: np.random.Generator, block: int
) -> None:
    """In the first stretch, a later one and the last, which is read when the file is whole."""
    pack, seen = rf64.pack_samples, iter(range(10))

    def spoil(samples: np.ndarray, bits: int, room: np.ndarray) -> bytes:
        data = bytearray(pack(samples, bits, room))
        if next(seen) == block:
            data[1_001] ^= 4
        return bytes(data)

    monkeypatch.setattr(rf64, "pack_samples", spoil)
    sink = begin(tmp_path / "a.wav", 24, False, 2)
    for _ in range(10):
        sink.write_int(rng.integers(-(1 << 23), 1 << 23, (FRAMES // 10, 2)))
    with pytest.raises(CopyError, match="does not give back the samples"):
        sink.close()
    assert not list(tmp_path.iterdir())


def test_a_file_that_lost_its_end_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rng: np.random.Generator
) -> None:
    """Though all of it was there when it was read."""
    close = rf64.TakeWriter.close

    def close_and_cut(self: rf64.TakeWriter) -> None:
        close(self)
        os.truncate(self.path, 120_000)

    monkeypatch.setattr(rf64.TakeWriter, "close", close_and_cut)
    sink = begin(tmp_path / "a.wav", 24, False, 2)
    sink.write_int(rng.integers(-(1 << 23), 1 << 23, (FRAMES, 2)))
    with pytest.raises(CopyError):
        sink.close()
    assert not list(tmp_path.iterdir())


def test_a_disk_that_refuses_what_was_written_is_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rng: np.random.Generator
) -> None:
    """Even where it says so only once, in the middle."""
    flush, refused = os.fsync, iter([OSError(5, "Input/output error")])

    def flush_badly(file: int) -> None:
        if (error := next(refused, None)) is not None:
            raise error
        flush(file)

    monkeypatch.setattr(os, "fsync", flush_badly)
    sink = begin(tmp_path / "a.wav", 24, False, 2)
    for _ in range(10):
        sink.write_int(rng.integers(-(1 << 23), 1 << 23, (FRAMES // 10, 2)))
    with pytest.raises(CopyError):
        sink.close()
    assert not list(tmp_path.iterdir())


def test_what_is_given_up_is_gone(tmp_path: Path, rng: np.random.Generator) -> None:
    sink = begin(tmp_path / "a.wav", 24, False, 2)
    for _ in range(5):
        sink.write_int(rng.integers(-(1 << 23), 1 << 23, (FRAMES // 10, 2)))
    sink.abandon()
    assert not list(tmp_path.iterdir())


def test_a_file_that_gets_tags_is_read_when_it_has_them(tmp_path: Path, rng: np.random.Generator) -> None:
    def meddle(part: Path) -> None:
        data = bytearray(part.read_bytes())
        data[50_000] ^= 1
        part.write_bytes(data)

    sink = open_sink(tmp_path / "a.wav", "wav", rate_hz=44_100, channels=2, finish=meddle)
    sink.write_int(rng.integers(-(1 << 23), 1 << 23, (FRAMES, 2)))
    with pytest.raises(CopyError, match="does not give back the samples"):
        sink.close()
