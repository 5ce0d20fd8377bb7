"""Listening: any span of a take as played, as mended, or what was taken out, at any level, as a WAV file.

The file holds 32-bit floats (WAVE format 3): nothing is rounded or clipped on the way to the ear, and the faint
things that were taken out keep their shape.
"""

from __future__ import annotations

import struct

import numpy as np

from sidekeep.errors import ParameterError
from sidekeep.flow.ports import Audio
from sidekeep.service.house.takes.held_takes import HeldTake, Version
from sidekeep.units import db_to_gain

LONGEST_S = 60.0
_IEEE_FLOAT = 3


def listen(
    take: HeldTake, start_frame: int, stop_frame: int, *, version: Version = "played", gain_db: float = 0.0
) -> bytes:
    """WAV bytes of a span, cut to the take. A minute at most: longer listens ask again."""
    if not -60.0 <= gain_db <= 60.0:
        raise ParameterError("gain-range", gain_db=gain_db)
    start, stop = take.span(start_frame, stop_frame)
    if stop - start > LONGEST_S * take.rate_hz:
        raise ParameterError("listen-too-long", length_s=(stop - start) / take.rate_hz, most_s=LONGEST_S)
    audio = take.read(start, stop, version)
    if gain_db:
        audio = audio * db_to_gain(gain_db)
    return wav_bytes(audio, take.rate_hz)


def wav_bytes(audio: Audio, rate_hz: int) -> bytes:
    """A whole WAV file of 32-bit floats in memory."""
    channels = audio.shape[1]
    data = np.ascontiguousarray(audio, "<f4").tobytes()
    form = struct.pack(
        "<HHIIHHH", _IEEE_FLOAT, channels, rate_hz, 4 * channels * rate_hz, 4 * channels, 32, 0
    )
    fact = struct.pack("<4sII", b"fact", 4, len(audio))
    head = b"WAVE" + struct.pack("<4sI", b"fmt ", len(form)) + form + fact
    return (
        struct.pack("<4sI", b"RIFF", len(head) + 8 + len(data))
        + head
        + struct.pack("<4sI", b"data", len(data))
        + data
    )
