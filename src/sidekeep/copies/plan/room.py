"""How much room copies need on the disk, before any sound is read: from the length and form of the takes alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sidekeep.copies.kinds.table import Kind

KBIT_PER_S = {"mp3-320": 320, "mp3-variable": 245, "aac": 256, "opus": 192}
PACKED = {"flac": 0.65, "alac": 0.65}
"""Of a record at 24 bits, measured on the demo (0.63); noise does not pack."""
LEAST_PACKED = 0.3
"""No record packs better, a quiet one at 16 bits (common practice, no source)."""
LEAST_MUSIC = 0.6
"""Of a take; the rest is lead-in and run-out (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class TakeForm:
    """What counts of a take: ``size_bytes`` are its files."""

    length_s: float
    rate_hz: int
    bits: int
    channels: int
    size_bytes: int


@dataclass(frozen=True, kw_only=True)
class RoomNeeded:
    """``usual_bytes`` is told beforehand; with less than ``least_bytes`` it cannot be done."""

    least_bytes: int
    usual_bytes: int


def room_needed(kinds: Iterable[Kind], takes: Sequence[TakeForm]) -> RoomNeeded:
    """What the sound of copies of these kinds needs."""
    least = usual = 0.0
    for kind in kinds:
        for take in takes:
            if kind.scope == "master":
                least += take.size_bytes
                usual += take.size_bytes
                continue
            kbit_per_s = kind.kbit_per_s or KBIT_PER_S.get(kind.codec, 0)
            if kbit_per_s:
                full = take.length_s * kbit_per_s * 125.0
                packed = least_packed = 1.0
            else:
                bytes_per_s = kind.rate_hz(take.rate_hz) * take.channels * kind.bits_of(take.bits) / 8
                full = take.length_s * bytes_per_s
                packed = PACKED.get(kind.codec, 1.0)
                least_packed = LEAST_PACKED if kind.codec in PACKED else 1.0
            least += full * least_packed * LEAST_MUSIC
            usual += full * packed
    return RoomNeeded(least_bytes=round(least), usual_bytes=round(usual))
