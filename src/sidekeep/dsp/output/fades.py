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
        raise ParameterError("fade-frames", fade_frames=fade_frames, count=count)
    place = start_frame + np.arange(count)
    if fade_frames == 0:
        return (place >= 0).astype(np.float64)
    share = np.clip((place + 0.5) / fade_frames, 0.0, 1.0)
    if shape == "cosine":
        gain = 0.5 - 0.5 * np.cos(np.pi * share)
    elif shape == "power":
        gain = np.sin(0.5 * np.pi * share)
    else:
        raise ParameterError("fade-shape", shape=shape)
    gain[place < 0] = 0.0
    gain[place >= fade_frames] = 1.0
    return gain
