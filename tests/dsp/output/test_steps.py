"""Steps of a file's word length, and their bytes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.dsp.output.steps import nearest_steps, pack_24


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
@pytest.mark.parametrize("frames", [1, 7, 4_099])
def test_steps_are_those_of_plain_numpy(bits: int, frames: int, rng: np.random.Generator) -> None:
    """Among them full scale and beyond, and places half way between two steps."""
    scale = float(1 << (bits - 1))
    block = rng.normal(0.0, 0.5, (frames, 2))
    block[0] = 1.0, -1.0
    block[-1] = (4.5 / scale, -4.5 / scale) if frames > 1 else (7.0, -7.0)
    plain = np.clip(np.floor(block * scale + 0.5), -scale, scale - 1.0).astype(np.int32)
    room = np.full((frames + 5, 2), 77, np.int32)
    got = nearest_steps(block, bits, room)
    np.testing.assert_array_equal(got, plain)
    assert got.base is room
    assert (room[frames:] == 77).all()


def test_steps_of_a_view_are_those_of_its_samples(rng: np.random.Generator) -> None:
    block = rng.normal(0.0, 0.2, (40, 4))
    room = np.empty((20, 2), np.int32)
    plain = np.floor(block[::2, :2] * 32_768.0 + 0.5)
    np.testing.assert_array_equal(nearest_steps(block[::2, :2], 16, room), plain)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(-(1 << 23), (1 << 23) - 1), max_size=30))
def test_packing_is_that_of_plain_python(values: list[int]) -> None:
    packed = np.empty(3 * len(values), np.uint8)
    pack_24(np.array(values, np.int32), packed)
    assert packed.tobytes() == b"".join(value.to_bytes(3, "little", signed=True) for value in values)
