"""What is not a number in a recording: a file of floats can hold anything."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.level.sample_levels import all_numbers
from sidekeep.flow.ports import Audio


def numbers_only(block: Audio) -> Audio:
    """The block itself, or with silence for what is not a number. In a mended take the difference becomes a
    patch like a repair, so the copies hold numbers only."""
    if all_numbers(block):
        return block
    return np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
