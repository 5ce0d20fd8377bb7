"""Sound that knows its own place: the low byte of both channels of a 24-bit frame tells its number.

Two frames that follow each other hold a number of 30 bits, so a recording of the sound says itself, from any two of its frames,
what of it was lost, where, and how much: whatever else the machine, the sound server or the bench did. What lies above the low
byte is sound, 16 bits of it, under which no disc reaches. A run of silence is a player that came late, which a disc cannot do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Frames = NDArray[np.int32]
_HALF_BITS = 15
_HALF = (1 << _HALF_BITS) - 1
_PIECE_FRAMES = 48_000
_SURE_FRAMES = 8
"""A number is believed where so many frames in a row agree on it."""


@dataclass(frozen=True)
class Numbered:
    """What a recording says of itself. ``lost``: (frame of the recording, or the one behind it; frames missing there), ``twice``
    the same of frames that came again, ``silent``: (first frame, frames) of silence put in, ``first``: the first number."""

    lost: list[tuple[int, int]]
    twice: list[tuple[int, int]]
    silent: list[tuple[int, int]]
    first: int


def numbered(sound: Frames, first: int) -> Frames:
    """24-bit frames (frames, 2) with their numbers, from ``first`` on, in place of their low bytes."""
    word = _words(np.arange(first, first + len(sound), dtype=np.int64))
    low = np.stack([word >> 8, word & 0xFF], axis=1).astype(np.int32)
    # Never silence: the lowest bit above the number is set.
    return (sound & ~np.int32(0x1FF)) | np.int32(0x100) | low


def _words(number: NDArray[np.int64]) -> NDArray[np.int64]:
    """16 bits for every frame: which half of its number they are, and the half."""
    odd = number & 1
    return (odd << _HALF_BITS) | (((number >> 1) >> (_HALF_BITS * odd)) & _HALF)


def read_numbers(frames: Frames) -> Numbered:
    """What is missing in a recording of 24-bit frames (frames, 2)."""
    sounding = frames.any(axis=1)
    places = np.flatnonzero(sounding)
    silent = _runs(~sounding)
    if len(places) < 2:
        return Numbered([], [], silent, -1)
    kept = frames[places].astype(np.int64)
    word = ((kept[:, 0] & 0xFF) << 8) | (kept[:, 1] & 0xFF)
    half, odd = word & _HALF, word >> _HALF_BITS
    # By the frame behind for an even number, by the one before for an odd one.
    other = np.where(odd == 0, np.append(half[1:], 0), np.append(0, half[:-1]))
    low, high = np.where(odd == 0, half, other), np.where(odd == 0, other, half)
    number = (((high << _HALF_BITS) | low) << 1) | odd
    offset = number - np.arange(len(number))
    # Where halves of two different places meet, the number is nonsense: only runs count.
    edges = np.flatnonzero(np.diff(offset)) + 1
    starts, stops = np.append(0, edges), np.append(edges, len(offset))
    sure = stops - starts >= _SURE_FRAMES
    lost, twice = [], []
    before: int | None = None
    first = -1
    for start in starts[sure]:
        here = int(offset[start])
        if before is None:
            first = int(number[start])
        elif here > before:
            lost.append((int(places[start]), here - before))
        elif here < before:
            twice.append((int(places[start]), before - here))
        before = here
    return Numbered(lost, twice, _between(silent, int(places[0]), int(places[-1])), first)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(start), int(stop - start)) for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def _between(runs: list[tuple[int, int]], first: int, last: int) -> list[tuple[int, int]]:
    return [run for run in runs if first < run[0] < last]


def packed(frames: Frames) -> bytes:
    """As little-endian 24-bit samples."""
    return np.ascontiguousarray(frames.astype("<i4")).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def unpacked(raw: bytes) -> Frames:
    """24-bit frames of two channels from little-endian bytes."""
    octets = np.frombuffer(raw, dtype=np.uint8).reshape(-1, 2, 3).astype(np.int32)
    return ((octets[..., 0] | (octets[..., 1] << 8) | (octets[..., 2] << 16)) << 8) >> 8


def endless(sound: Frames, write: Callable[[bytes], object], last: int | None = None) -> None:
    """Write the sound over and over, numbered on and on, until ``write`` raises or ``last`` frames are written."""
    number = 0
    while last is None or number < last:
        for start in range(0, len(sound), _PIECE_FRAMES):
            part = sound[start : start + _PIECE_FRAMES]
            write(packed(numbered(part, number)))
            number += len(part)
