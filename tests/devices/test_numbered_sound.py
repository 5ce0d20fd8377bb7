"""A recording of numbered sound says what it lacks: the benches judge by it, so it is judged here."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.numbered_sound import Frames, numbered, packed, read_numbers, unpacked


def sound(frames: int, first: int = 0) -> Frames:
    noise = np.random.default_rng(4).standard_normal((frames, 2)) * 2.0**17
    return numbered(noise.astype(np.int32), first)


@pytest.mark.parametrize("first", [0, 5, 2**15 - 400, 2**16 - 201, 2**24 - 300, 2**30 + 7])
def test_sound_that_is_whole_lacks_nothing(first: int) -> None:
    read = read_numbers(sound(2_000, first)[3:])
    assert (read.lost, read.twice, read.silent) == ([], [], [])
    assert read.first in (first + 3, first + 4)


@pytest.mark.parametrize("lost", [1, 2, 240, 4_801, 70_000, 200_001])
@pytest.mark.parametrize("place", [700, 701])
def test_what_is_missing_is_told_with_its_place(place: int, lost: int) -> None:
    whole = sound(210_000, 60_000)
    read = read_numbers(np.concatenate([whole[:place], whole[place + lost :]]))
    ((told, size),) = read.lost
    assert (size, read.twice) == (lost, [])
    assert 0 <= told - place <= 1  # half a number is of no use


def test_silence_that_was_put_in_is_no_loss_and_what_comes_again_is_told_apart() -> None:
    whole = sound(3_000)
    silent = read_numbers(np.concatenate([whole[:900], np.zeros((500, 2), np.int32), whole[900:]]))
    assert (silent.lost, silent.silent) == ([], [(900, 500)])
    again = read_numbers(np.concatenate([whole[:900], whole[800:]]))
    assert (again.lost, again.twice) == ([], [(900, 100)])


def test_frames_are_packed_as_24_bit_samples() -> None:
    frames = np.array([[-1, 8_388_607], [-8_388_608, 65_536]], np.int32)
    assert packed(frames) == bytes([255, 255, 255, 255, 255, 127, 0, 0, 128, 0, 0, 1])
    assert (unpacked(packed(frames)) == frames).all()
