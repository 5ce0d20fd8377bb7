"""What is not a number in a recording: a file of floats can hold anything."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.level.sample_levels import all_numbers
from sidekeep.flow.ports import Audio
from sidekeep.model.finding import Finding


def numbers_only(block: Audio) -> Audio:
    """The block itself, or with silence for what is not a number. In a mended take the difference becomes a
    patch like a repair, so the copies hold numbers only."""
    if all_numbers(block):
        return block
    return np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)


class OddFrames:
    """Makes a stream of blocks ``numbers_only`` and keeps which frames were not."""

    def __init__(self) -> None:
        self._frames = self._first = self._stop = self._at = 0

    def cleaned(self, block: Audio) -> Audio:
        """The next block, shape (frames, channels), with silence for what is not a number."""
        clean = numbers_only(block)
        if clean is not block:
            odd = self._at + np.flatnonzero(~np.isfinite(block).all(axis=1))
            self._first = self._first if self._frames else int(odd[0])
            self._stop = int(odd[-1]) + 1
            self._frames += len(odd)
        self._at += len(block)
        return clean

    @property
    def findings(self) -> list[Finding]:
        """``not-a-number``, where there were any."""
        if not self._frames:
            return []
        return [
            Finding(
                kind="not-a-number",
                start_frame=self._first,
                stop_frame=self._stop,
                severity="act",
                facts={"frames": self._frames},
            )
        ]
