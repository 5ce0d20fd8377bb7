"""Sounds and files for the tests of ``sidekeep.files``."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


def music(rate_hz: int, length_s: float, channels: int = 2, seed: int = 1) -> NDArray[np.float64]:
    """A few wandering partials and some hiss, (n, channels), peak about 0.5."""
    rng = np.random.default_rng(seed)
    n = round(rate_hz * length_s)
    t = np.arange(n) / rate_hz
    columns = []
    for channel in range(channels):
        tone = sum(
            np.sin(2 * np.pi * (110.0 * k + 7 * channel) * t + np.sin(3 * t + k)) / (2 * k)
            for k in range(1, 6)
        )
        columns.append(0.3 * tone + rng.normal(0.0, 0.004, n))
    return np.stack(columns, axis=1)


def whole_numbers(rng: np.random.Generator, frames: int, channels: int, bits: int) -> NDArray[np.int32]:
    """Random whole numbers over the full range of ``bits`` bits, both ends included."""
    top = 1 << (bits - 1)
    numbers = rng.integers(-top, top, (frames, channels), dtype=np.int64).astype(np.int32)
    if frames > 1:
        numbers[0], numbers[1] = -top, top - 1
    return numbers


def counter(start: int, frames: int) -> bytes:
    """24-bit stereo frames that say their own place: left counts up, right counts down."""
    place = np.arange(start, start + frames, dtype=np.int64)
    pairs = np.stack([place & 0x7FFFFF, 0x7FFFFF - (place & 0x7FFFFF)], axis=1).astype("<i4")
    return pairs.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def wav_bytes(
    data: bytes,
    *,
    rate_hz: int = 48_000,
    channels: int = 2,
    bits: int = 16,
    claimed: int | None = None,
    after: bytes = b"",
) -> bytes:
    """A plain WAV file by hand; ``claimed`` puts another size into the data chunk."""
    align = channels * bits // 8
    fmt = struct.pack("<HHIIHH", 1, channels, rate_hz, (rate_hz * align) & 0xFFFFFFFF, align, bits)
    body = b"WAVEfmt " + struct.pack("<I", len(fmt)) + fmt
    body += b"data" + struct.pack("<I", len(data) if claimed is None else claimed) + data + after
    return b"RIFF" + struct.pack("<I", len(body)) + body


def leftovers(folder: Path) -> list[str]:
    """Names of temporary files in a folder."""
    return sorted(path.name for path in folder.iterdir() if path.name.endswith(".part"))
