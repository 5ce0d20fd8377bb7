"""A whole array through the step that makes whole numbers of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.output.dither import Quantiser


def quantise(
    audio: NDArray[np.float64], *, bits: int, seed: int, is_dithered: bool = True, start_frame: int = 0
) -> NDArray[np.int32]:
    """(frames, channels) as integers, in one block."""
    step = Quantiser(audio.shape[1], bits=bits, seed=seed, is_dithered=is_dithered, start_frame=start_frame)
    return step.process(audio)
