"""Patches: what mending changed, kept beside the take, put back anywhere."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.errors import ShelfError
from sidekeep.flow.patches import PatchReader, PatchWriter


def written(original: np.ndarray, mended: np.ndarray, sizes: list[int]) -> io.BytesIO:
    file = io.BytesIO()
    writer = PatchWriter(file, {"length_frames": len(original)})
    at, index = 0, 0
    while at < len(original):
        stop = at + sizes[index % len(sizes)]
        writer.add(at, original[at:stop], mended[at:stop])
        at, index = stop, index + 1
    assert writer.changed_samples == int((original != mended).sum())
    file.seek(0)
    return file


@given(
    length=st.integers(1, 400),
    channels=st.integers(1, 2),
    share=st.sampled_from([0.0, 0.03, 0.5, 1.0]),
    write_sizes=st.lists(st.integers(1, 97), min_size=1, max_size=4),
    read_sizes=st.lists(st.integers(1, 97), min_size=1, max_size=4),
    seed=st.integers(0, 9999),
)
def test_take_and_patches_make_the_mended_take(
    length: int, channels: int, share: float, write_sizes: list[int], read_sizes: list[int], seed: int
) -> None:
    random = np.random.default_rng(seed)
    original = random.standard_normal((length, channels)).astype(np.float32).astype(np.float64)
    mended = original.copy()
    hit = random.random(original.shape) < share
    mended[hit] = random.standard_normal(hit.sum()).astype(np.float32)
    reader = PatchReader(written(original, mended, write_sizes))
    assert reader.facts == {"length_frames": length}
    at, index = 0, 0
    while at < length:
        stop = min(length, at + read_sizes[index % len(read_sizes)])
        np.testing.assert_array_equal(reader.apply(at, original[at:stop]), mended[at:stop])
        at, index = stop, index + 1


def test_reading_backwards_and_out_of_order(rng: np.random.Generator) -> None:
    original = np.zeros((1000, 2))
    mended = original.copy()
    mended[300:340, 0] = 0.5
    mended[500:505] = -0.25
    reader = PatchReader(written(original, mended, [64]))
    for start in (900, 510, 320, 290, 0, 499):
        np.testing.assert_array_equal(
            reader.apply(start, original[start : start + 90]), mended[start : start + 90]
        )


def test_an_untouched_block_is_the_same_object() -> None:
    original = np.zeros((100, 2))
    mended = original.copy()
    mended[50] = 1.0
    reader = PatchReader(written(original, mended, [10]))
    block = original[:20]
    assert reader.apply(0, block) is block


def test_float32_keeps_24_bits() -> None:
    original = np.zeros((3, 1))
    mended = np.array([[1.0 - 2.0**-23], [2.0**-23], [-1.0]])
    np.testing.assert_array_equal(PatchReader(written(original, mended, [3])).apply(0, original), mended)


def test_something_else_is_refused() -> None:
    with pytest.raises(ShelfError, match="not a patch file"):
        PatchReader(io.BytesIO(b"RIFF....WAVE"))
