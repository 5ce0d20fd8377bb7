"""Whole numbers as the bytes of a file, for ``files``, which calls no kernels itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.output.steps import pack_24


def packed_24(whole: NDArray[np.int32], room: NDArray[np.uint8] | None) -> memoryview:
    """Whole numbers of 24 bits, contiguous, as little-endian bytes, in ``room`` where they fit: fresh memory costs more than the
    packing."""
    size = 3 * whole.size
    packed = room[:size] if room is not None and len(room) >= size else np.empty(size, np.uint8)
    pack_24(whole, packed)
    return packed.data
