"""Fades as pure functions of position: the gain of frames ``start .. start + count`` of a fade.

A fade rises from 0 at position 0 to 1 at ``fade_frames`` and stays there; a falling fade is the same curve
read backwards. Because only the position counts, blocks equal the whole.

Shapes: ``cosine``, half a raised cosine, for edges against silence (its slope is 0 at both ends); ``power``,
a quarter sine, whose square and that of its mirror add to 1, for joining unlike sounds; ``cosine`` and its
mirror add to 1, for joining like sounds.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ParameterError

FadeShape = Literal["cosine", "power"]


def fade_gain(
    start_frame: int, count: int, fade_frames: int, *, shape: FadeShape = "cosine"
) -> NDArray[np.float64]:
    """Gain of ``count`` frames from position ``start_frame`` of a rising fade, shape (count,), 0 to 1.

    Frame n sits in the middle of its place, ``(n + 1/2) / fade_frames``, so that a fade and its mirror
    match. Before position 0 the gain is 0, past the end 1; a fade of no frames is 1 from position 0.
    """
    if fade_frames < 0 or count < 0:
        raise ParameterError(f"fade_frames={fade_frames} and count={count} must not be negative")
    place = start_frame + np.arange(count)
    if fade_frames == 0:
        return (place >= 0).astype(np.float64)
    share = np.clip((place + 0.5) / fade_frames, 0.0, 1.0)
    if shape == "cosine":
        gain = 0.5 - 0.5 * np.cos(np.pi * share)
    elif shape == "power":
        gain = np.sin(0.5 * np.pi * share)
    else:
        raise ParameterError(f"shape {shape!r} must be cosine or power")
    gain[place < 0] = 0.0
    gain[place >= fade_frames] = 1.0
    return gain


def edge_gain(
    start_frame: int,
    count: int,
    *,
    length_frames: int,
    fade_in_frames: int,
    fade_out_frames: int,
    shape: FadeShape = "cosine",
) -> NDArray[np.float64]:
    """Gain of a stretch of a piece of ``length_frames`` that fades in at its start and out at its end."""
    gain = fade_gain(start_frame, count, fade_in_frames, shape=shape)
    from_end = length_frames - (start_frame + count)
    return gain * fade_gain(from_end, count, fade_out_frames, shape=shape)[::-1]


def cross_fade(
    leaving: NDArray[np.float64], coming: NDArray[np.float64], *, shape: FadeShape = "cosine"
) -> NDArray[np.float64]:
    """One stretch becoming another over its whole length; both (frames, channels)."""
    if leaving.shape != coming.shape:
        raise ParameterError(f"stretches of shape {leaving.shape} and {coming.shape} must be alike")
    gain = fade_gain(0, len(coming), len(coming), shape=shape)[:, None]
    return np.asarray(coming * gain + leaving * gain[::-1])
