"""The grid of windows: against plain slices of the whole, and as the kernels want it in memory."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.dsp.grid import Windows


@settings(max_examples=60, deadline=None)
@given(
    length=st.integers(0, 400),
    sizes=st.lists(st.integers(1, 90), min_size=1, max_size=4),
    before=st.integers(0, 7),
    after=st.integers(0, 40),
    channels=st.integers(1, 3),
)
def test_windows_are_slices_of_the_whole(
    length: int, sizes: list[int], before: int, after: int, channels: int
) -> None:
    audio = np.random.default_rng(length).standard_normal((length, channels))
    windows = Windows(25, channels, before=before, after=after)
    found = []
    at = turn = 0
    while at < length:
        block = audio[at : at + sizes[turn % len(sizes)]]
        found += [(frames.copy(), count) for frames, count in windows.push(block)]
        at += len(block)
        turn += 1
    found += [(frames.copy(), count) for frames, count in windows.rest()]
    padded = np.concatenate((np.zeros((before, channels)), audio, np.zeros((25 + after, channels))))
    assert [count for _, count in found] == [min(25, length - start) for start in range(0, length, 25)]
    for index, (frames, _) in enumerate(found):
        np.testing.assert_array_equal(frames, padded[25 * index : 25 * index + before + 25 + after])
    assert list(windows.rest()) == []


def test_every_column_lies_in_one_piece(rng: np.random.Generator) -> None:
    windows = Windows(100, 2, before=3, after=5)
    found = [*windows.push(rng.standard_normal((350, 2))), *windows.rest()]
    assert [count for _, count in found] == [100, 100, 100, 50]
    for frames, _ in found:
        assert all(line.flags.c_contiguous for line in frames.T)
