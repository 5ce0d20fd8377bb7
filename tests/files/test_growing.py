"""Reading a take behind its writer."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sidekeep.files.wave.rf64 as rf64
from sidekeep.errors import AudioFileError
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave.growing import GrowingTake
from sidekeep.files.wave.rf64 import TakeWriter

Opened = Callable[[Any], Any]


@pytest.fixture
def opened() -> Iterator[Opened]:
    """Closes at the end what was opened."""
    with contextlib.ExitStack() as stack:
        yield stack.enter_context


def steps(start: int, count: int, bits: int = 24) -> np.ndarray:
    top = 2 ** (bits - 1)
    numbers = (np.arange(start, start + 2 * count) * 7919) % top
    return numbers.reshape(-1, 2).astype(np.int32)


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_what_is_claimed_is_read_and_no_more(tmp_path: Path, opened: Opened, bits: int) -> None:
    writer = opened(TakeWriter(tmp_path / "take.wav", rate_hz=48_000, channels=2, bits=bits))
    take = opened(GrowingTake(tmp_path / "take.wav"))
    assert (take.form.rate_hz, take.form.channels, take.form.bits) == (48_000, 2, bits)
    assert take.look() == 0
    assert len(take.read(100)) == 0
    parts = []
    for number in range(5):
        writer.append(steps(number * 1000, 1000, bits))
        assert take.look() == 0  # appended, but not safe yet
        writer.sync()
        assert take.look() == 1000
        parts += [take.read(700), take.read(700)]
    writer.close()
    assert take.look() == 0
    heard = np.concatenate(parts)
    np.testing.assert_array_equal(heard, open_source(tmp_path / "take.wav").read(0, 5000))


def test_a_head_that_promises_what_is_not_there_is_not_believed(tmp_path: Path, opened: Opened) -> None:
    writer = opened(TakeWriter(tmp_path / "take.wav", rate_hz=48_000, channels=2, bits=24))
    writer.append(steps(0, 1000))
    writer.sync()
    take = opened(GrowingTake(tmp_path / "take.wav"))
    assert take.look() == 1000
    good = (tmp_path / "take.wav").read_bytes()[: writer._head.size]
    with (tmp_path / "take.wav").open("r+b") as file:
        for torn in (
            writer._head.bytes_for(6_000_000),
            writer._head.bytes_for(600),
            b"RF64" + good[4:],
            bytes(20),
        ):
            file.seek(0)
            file.write(torn)
            file.flush()
            assert take.look() == 1000
    assert len(take.read(2000)) == 1000


def test_it_follows_past_four_gigabytes(
    tmp_path: Path, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rf64, "RIFF_LIMIT_BYTES", 10_000)
    writer = opened(TakeWriter(tmp_path / "take.wav", rate_hz=48_000, channels=2, bits=24))
    take = opened(GrowingTake(tmp_path / "take.wav"))
    total = 0
    for number in range(4):
        writer.append(steps(number, 1000))
        writer.sync()
        assert take.look() == 1000
        total += len(take.read(1000))
    assert (tmp_path / "take.wav").read_bytes()[:4] == b"RF64"
    assert total == 4000


def test_a_file_that_shrinks_is_told_in_one_line(tmp_path: Path, opened: Opened) -> None:
    writer = opened(TakeWriter(tmp_path / "take.wav", rate_hz=48_000, channels=2, bits=24))
    writer.append(steps(0, 1000))
    writer.sync()
    take = opened(GrowingTake(tmp_path / "take.wav"))
    os.truncate(tmp_path / "take.wav", 2000)
    with pytest.raises(AudioFileError, match="became shorter"):
        take.read(1000)


def test_what_is_no_take_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("somebody's notes, long enough to be looked at")
    with pytest.raises(AudioFileError, match="does not begin like a take"):
        GrowingTake(tmp_path / "notes")
    with pytest.raises(AudioFileError, match="cannot be followed"):
        GrowingTake(tmp_path / "absent")
