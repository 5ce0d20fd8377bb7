"""The append-only take: nothing recorded is lost, whatever happens to its writer."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.errors import AudioFileError, CopyError, ParameterError
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave.bext import Bext
from sidekeep.files.wave.repair import repair_take
from sidekeep.files.wave.rf64 import TakeWriter
from tests.files.sounds import counter, wav_bytes, whole_numbers

WRITER = """
import sys, time
from sidekeep.files.wave.bext import Bext
from sidekeep.files.wave.rf64 import TakeWriter
from tests.files.sounds import counter
take = TakeWriter(sys.argv[1], rate_hz=96000, channels=2, bits=24, bext=Bext(description="a side"))
print("begun", flush=True)
for block in range(100_000):
    take.append_bytes(counter(block * 1000, 1000))
    if block % 7 == 6:
        take.sync()
        print(take.synced_frames, flush=True)
"""


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_what_goes_in_comes_out(tmp_path: Path, rng: np.random.Generator, channels: int, bits: int) -> None:
    path = tmp_path / "take.wav"
    whole = whole_numbers(rng, 1001, channels, bits)
    with TakeWriter(path, rate_hz=192_000, channels=channels, bits=bits, bext=Bext(originator="x")) as take:
        take.append(whole[:400])
        take.append(whole[400:])
        assert take.frames == 1001
    got, rate_hz = soundfile.read(path, dtype="int32", always_2d=True)
    assert rate_hz == 192_000
    np.testing.assert_array_equal(got >> (32 - bits), whole)
    source = open_source(path)
    assert (source.format.bits, source.format.length_frames, source.problems) == (bits, 1001, [])


@pytest.mark.parametrize("bits", [32, 64])
def test_floats_stay_as_they_are(tmp_path: Path, bits: int) -> None:
    path = tmp_path / "take.wav"
    sound = np.array([[0.1, -3.5], [np.nan, 1e-30]])
    with TakeWriter(path, rate_hz=96_000, channels=2, bits=bits, is_float=True) as take:
        take.append_bytes(sound.astype(f"<f{bits // 8}").tobytes())
    got, _ = soundfile.read(path, dtype=f"float{bits}")
    np.testing.assert_array_equal(got, sound.astype(f"f{bits // 8}"))
    assert open_source(path).format.is_float


def test_the_file_is_valid_at_every_sync(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    take = TakeWriter(path, rate_hz=96_000, channels=2, bits=24, bext=Bext())
    assert open_length(path) == 0
    for block in range(5):
        take.append_bytes(counter(block * 1000, 1000))
        assert open_length(path) == block * 1000
        take.sync()
        assert open_length(path) == take.synced_frames == (block + 1) * 1000
    take.close()
    take.close()


def open_length(path: Path) -> int:
    return int(soundfile.info(path).frames)


def test_an_odd_number_of_bytes_is_padded(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    with TakeWriter(path, rate_hz=48_000, channels=1, bits=24) as take:
        take.append(np.array([[-5]], dtype=np.int32))
    content = path.read_bytes()
    assert len(content) % 2 == 0
    assert int.from_bytes(content[4:8], "little") == len(content) - 8
    assert content[-8:-4] == (3).to_bytes(4, "little")
    assert open_length(path) == 1
    assert not repair_take(path).changed


def test_killed_at_any_moment(tmp_path: Path) -> None:
    """Ten kills: the file opens at once with the last sync, and after the repair with every whole frame."""
    moments = random.Random(5)
    for turn in range(10):
        path = tmp_path / f"take{turn}.wav"
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        assert process.stdout.readline() == "begun\n"
        time.sleep(moments.uniform(0.0, 0.12))
        os.kill(process.pid, signal.SIGKILL)
        told = [int(line) for line in process.stdout.read().splitlines() if line.strip().isdigit()]
        process.wait()
        process.stdout.close()
        synced = told[-1] if told else 0
        assert open_length(path) >= synced
        size = path.stat().st_size
        report = repair_take(path)
        head = size - report.torn_bytes - report.frames * 6
        assert report.frames >= synced
        assert report.missing_frames == 0
        assert open_length(path) == report.frames
        content = path.read_bytes()
        assert content[head:] == counter(0, report.frames)
        assert not repair_take(path).changed


def test_repair_cuts_a_torn_frame_and_counts(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    take = TakeWriter(path, rate_hz=96_000, channels=2, bits=24, bext=Bext(description="torn"))
    take.append_bytes(counter(0, 500))
    take.sync()
    take.append_bytes(counter(500, 250))
    os.write(take._file, b"\x01\x02\x03\x04")
    os.close(take._file)
    assert open_length(path) == 500
    report = repair_take(path)
    assert (report.claimed_frames, report.frames, report.torn_bytes, report.changed) == (500, 750, 4, True)
    assert open_length(path) == 750
    assert path.read_bytes().endswith(counter(0, 750))
    assert open_source(path).problems == []


def test_repair_admits_what_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    with TakeWriter(path, rate_hz=96_000, channels=2, bits=24) as take:
        take.append_bytes(counter(0, 1000))
    os.truncate(path, path.stat().st_size - 600)
    report = repair_take(path)
    assert (report.frames, report.missing_frames) == (900, 100)
    assert open_length(path) == 900


def test_repair_leaves_a_sound_file_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    tail = b"LIST" + (4).to_bytes(4, "little") + b"INFO"
    path.write_bytes(wav_bytes(bytes(400), after=tail))
    before, when = path.read_bytes(), path.stat().st_mtime_ns
    assert not repair_take(path).changed
    assert path.read_bytes() == before
    assert path.stat().st_mtime_ns == when


def test_repair_of_what_is_no_take(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    for content in (b"", b"RIFF\0\0", b"text, not sound" * 10):
        path.write_bytes(content)
        with pytest.raises(AudioFileError, match="complete WAV header"):
            repair_take(path)
        assert path.read_bytes() == content
    with pytest.raises(AudioFileError, match="cannot be opened for repair"):
        repair_take(tmp_path / "none.wav")


def test_repair_of_another_program_s_file(tmp_path: Path) -> None:
    """A plain WAV without room for 64-bit sizes, left with a size of 0."""
    path = tmp_path / "a.wav"
    path.write_bytes(wav_bytes(counter(0, 300), bits=24, claimed=0))
    assert repair_take(path).frames == 300
    assert open_length(path) == 300


def test_full_disk_keeps_every_whole_block(small_disk: Path) -> None:
    path = small_disk / "take.wav"
    take = TakeWriter(path, rate_hz=96_000, channels=2, bits=24, bext=Bext())

    def fill() -> None:
        while take.frames < 1_000_000:
            take.append_bytes(counter(take.frames, 1000))

    with pytest.raises(CopyError, match=r"disk is full|file grows past") as caught:
        fill()
    assert "\n" not in str(caught.value)
    frames = take.frames
    assert frames > 0
    assert frames % 1000 == 0
    take.close()
    assert path.read_bytes().endswith(counter(0, frames))
    assert open_length(path) == frames


def test_of_a_disk_that_takes_nothing_any_more_the_refusal_is_told_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made read-only by its system after a fault, it refuses the cutting back of the block as well."""
    take = TakeWriter(tmp_path / "take.wav", rate_hz=96_000, channels=2, bits=24)
    take.append_bytes(counter(0, 100))

    def refuse(*_: object) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as context:
        context.setattr(os, "write", refuse)
        context.setattr(os, "ftruncate", refuse)
        with pytest.raises(CopyError, match="read-only"):
            take.append_bytes(counter(100, 100))
    take.close()
    assert open_length(tmp_path / "take.wav") == 100


def test_without_the_calls_that_some_systems_lack(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """macOS has no fdatasync, Windows no pwrite."""
    monkeypatch.delattr(os, "fdatasync")
    monkeypatch.delattr(os, "pwrite")
    path = tmp_path / "take.wav"
    take = TakeWriter(path, rate_hz=96_000, channels=2, bits=24)
    for block in range(3):
        take.append_bytes(counter(block * 100, 100))
        take.sync()
    take.close()
    assert path.read_bytes().endswith(counter(0, 300))
    assert open_length(path) == 300


def test_samples_are_safe_before_the_head_claims_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = TakeWriter(tmp_path / "take.wav", rate_hz=96_000, channels=2, bits=24)
    take.append_bytes(counter(0, 10))
    order: list[str] = []
    sync, write = os.fdatasync, os.pwrite

    def note_sync(descriptor: int) -> None:
        order.append("sync")
        sync(descriptor)

    def note_write(descriptor: int, data: bytes, offset: int) -> int:
        order.append(f"write at {offset}")
        return write(descriptor, data, offset)

    monkeypatch.setattr(os, "fdatasync", note_sync)
    monkeypatch.setattr(os, "pwrite", note_write)
    take.sync()
    assert order == ["sync", "write at 0", "sync"]
    take.close()


def test_what_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(b"a recording that must not be lost")
    with pytest.raises(CopyError, match="exists already"):
        TakeWriter(path, rate_hz=96_000, channels=2, bits=24)
    assert path.read_bytes() == b"a recording that must not be lost"
    with pytest.raises(CopyError, match="folder is not there"):
        TakeWriter(tmp_path / "none" / "take.wav", rate_hz=96_000, channels=2, bits=24)
    for wrong in ({"bits": 20}, {"bits": 24, "is_float": True}, {"bits": 24, "channels": 0}):
        settings = {"rate_hz": 96_000, "channels": 2, **wrong}
        with pytest.raises(ParameterError):
            TakeWriter(tmp_path / "b.wav", **settings)  # type: ignore[arg-type]
    assert not (tmp_path / "b.wav").exists()
    with TakeWriter(tmp_path / "c.wav", rate_hz=96_000, channels=2, bits=24) as take:
        with pytest.raises(ParameterError, match="not whole frames"):
            take.append_bytes(bytes(7))
        with pytest.raises(ParameterError, match="2 columns"):
            take.append(np.zeros((4, 1), dtype=np.int32))


def test_a_disk_failing_at_once_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> int:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(CopyError, match="reports an error"):
        TakeWriter(tmp_path / "take.wav", rate_hz=96_000, channels=2, bits=24)
    assert os.listdir(tmp_path) == []


def test_the_name_appears_with_a_whole_head(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "take.wav"
    killed = RuntimeError("stands for a kill while the head is on its way to the disk")

    def dies(*_: object) -> None:
        raise killed

    with monkeypatch.context() as slow_disk:
        slow_disk.setattr(os, "fsync", dies)
        with pytest.raises(RuntimeError):
            TakeWriter(path, rate_hz=96_000, channels=2, bits=24)
    assert not path.exists()
    with TakeWriter(path, rate_hz=96_000, channels=2, bits=24):
        assert soundfile.info(path).frames == 0
