"""The stage that sounds of the null set are put on."""

from __future__ import annotations

import numpy as np

from sidekeep.press.music.instruments import pan_gains
from sidekeep.press.music.tone import Array


def hz(note: float) -> float:
    """Pitch of a note number (69 is A at 440 Hz)."""
    return 440.0 * 2.0 ** ((note - 69.0) / 12.0)


def add_voice(
    stage: Array, sound: Array, start_s: float, rate_hz: int, gain: float = 1.0, pan: float = 0.0
) -> None:
    """Add a sound, (frames, 1 or 2), to a stage; what goes past its end is dropped."""
    start = int(start_s * rate_hz)
    room = stage.shape[0] - start
    if room <= 0:
        return
    placed = gain * (sound * np.array(pan_gains(pan)) if sound.shape[1] == 1 else sound)
    stage[start : start + placed.shape[0]] += placed[:room]


def empty_stage(rate_hz: int, seconds: float) -> Array:
    """(frames, 2) of silence."""
    return np.zeros((round(seconds * rate_hz), 2))
