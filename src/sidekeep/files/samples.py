"""Whole-number samples: from float64 and back, and as the bytes that files and checksums hold.

A sample of ``bits`` bits is a whole number from ``-2**(bits - 1)`` to ``2**(bits - 1) - 1``; as float64 it is
that number divided by ``2**(bits - 1)``, which is exact both ways for up to 32 bits. Nothing here dithers:
values between two numbers are rounded to the nearer one, values past full scale stop at it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ParameterError


def to_whole(block: NDArray[np.float64], bits: int) -> tuple[NDArray[np.int32], int]:
    """(n, channels) float64 as whole numbers, and how many samples were past full scale."""
    scale = float(1 << (bits - 1))
    scaled = block * scale
    np.rint(scaled, out=scaled)
    past = 0
    # One look at the extremes is cheap and nearly always enough; NaN shows in them too.
    if len(block) and not (scaled.max() <= scale - 1.0 and scaled.min() >= -scale):
        # A float file can hold NaN; as a whole number it would be a full-scale click.
        scaled = np.nan_to_num(scaled, nan=0.0, posinf=np.inf, neginf=-np.inf)
        past = int(np.count_nonzero((scaled > scale - 1.0) | (scaled < -scale)))
        np.clip(scaled, -scale, scale - 1.0, out=scaled)
    return scaled.astype(np.int32), past


def peak_of(samples: NDArray[Any]) -> float:
    """Largest magnitude, without a copy; 0 when empty. In the samples' own unit."""
    return max(float(samples.max()), -float(samples.min())) if samples.size else 0.0


def to_float(samples: NDArray[Any], bits: int) -> NDArray[np.float64]:
    """Whole numbers as float64 with full scale +-1."""
    return samples.astype(np.float64) * (1.0 / (1 << (bits - 1)))


def digest_type(bits: int, is_float: bool) -> str:
    """The dtype whose bytes are summed to compare samples: 32-bit whole numbers, or the file's floats."""
    return f"<f{bits // 8}" if is_float else "<i4"


def pack_samples(
    samples: NDArray[Any], bits: int, room: NDArray[np.uint8] | None = None
) -> bytes | memoryview:
    """Whole numbers, any integer dtype, (n, channels), as little-endian bytes of ``bits`` bits.

    Those of 24 bits are put into ``room`` where they fit.
    """
    if bits == 16:
        return samples.astype("<i2").tobytes()
    whole = np.ascontiguousarray(samples, dtype="<i4")
    if bits == 32:
        return whole.tobytes()
    if bits == 24:
        # loaded where it is needed: many verbs need no kernel
        from sidekeep.flow.sample_bytes import packed_24

        return packed_24(whole, room)
    raise ParameterError("sample-bits", bits=bits)


def unpack_samples(
    data: bytearray, count: int, bits: int, room: NDArray[np.int32] | None = None
) -> NDArray[np.float64]:
    """``count`` little-endian whole numbers of 16, 24 or 32 bits as float64 with full scale +-1, exactly.

    The samples begin at the second byte of ``data``: one of 24 bits is read as 32 bits that begin with the byte
    before it, which is taken off, in ``room`` if there is one, of ``count`` samples or more.
    """
    if bits == 24:
        into = None if room is None else room[:count]
        longer = np.bitwise_and(np.ndarray(count, "<i4", data, 0, (3,)), -256, out=into)
        return np.multiply(longer, 2.0**-31)
    return np.multiply(np.ndarray(count, f"<i{bits // 8}", data, 1), 2.0 ** (1 - bits))
