"""Samples as steps of a file's word length, and steps as its bytes: one pass each, into memory that is there already."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel

Floats = NDArray[np.float64]


def nearest_steps(block: Floats, bits: int, room: NDArray[np.int32]) -> NDArray[np.int32]:
    """The nearest step of ``bits`` bits to each sample of ``block``, (frames, channels): exact for what came from such a file,
    the upper one half way between two. What is louder than the loudest step is that; all samples must be numbers.

    The steps are put into ``room``, (at least as many frames, channels), and what is filled of it is given back.
    """
    steps = room[: len(block)]
    _fast_steps(np.ascontiguousarray(block).reshape(-1), float(1 << (bits - 1)), steps.reshape(-1))
    return steps


@kernel
def _fast_steps(samples: Floats, scale: float, steps: NDArray[np.int32]) -> None:
    for i in range(samples.shape[0]):
        steps[i] = np.int32(min(max(np.floor(samples[i] * scale + 0.5), -scale), scale - 1.0))


def pack_24(whole: NDArray[np.int32], packed: NDArray[np.uint8]) -> None:
    """Whole numbers of 24 bits, contiguous, as little-endian bytes: three to each, into ``packed``, three times as many."""
    _fast_pack_24(whole.reshape(-1), packed)


@kernel
def _fast_pack_24(whole: NDArray[np.int32], packed: NDArray[np.uint8]) -> None:
    for i in range(whole.shape[0]):
        packed[3 * i] = whole[i] & 0xFF
        packed[3 * i + 1] = (whole[i] >> 8) & 0xFF
        packed[3 * i + 2] = (whole[i] >> 16) & 0xFF
