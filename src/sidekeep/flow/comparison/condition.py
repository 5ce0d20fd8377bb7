"""What limits a take before it is compared: clipping, and an upper edge like a wall (a lossy format, a lower rate).

Fed with the blocks of the first reading. Clipping is told as in a survey (``dsp.level.clipping``), the edge too
(``dsp.level.channels``), from some spectra of each block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sidekeep.dsp.level.channels import find_band_limit
from sidekeep.dsp.level.clipping import ClippingMeter, clipped_frames, judge_flat_tops
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat

SPECTRUM_FRAMES = 4096
SPECTRA_A_BLOCK = 6


@dataclass(frozen=True, kw_only=True)
class Condition:
    """``clipped_frames`` cut off at full scale or, in an earlier stage, below it; ``edge_hz`` of a wall, 0 without one."""

    clipped_frames: int = 0
    edge_hz: float = 0.0


class ConditionMeter:
    """Running; ``process`` blocks (frames, channels) in order, then ``finish``."""

    def __init__(self, form: AudioFormat) -> None:
        self._rate_hz = form.rate_hz
        self._clipping = ClippingMeter(form.rate_hz, form.channels)
        self._highest = np.full(form.channels, -np.inf)
        self._lowest = np.full(form.channels, np.inf)
        self._power = np.zeros(SPECTRUM_FRAMES // 2 + 1)
        self._window = np.hanning(SPECTRUM_FRAMES)[:, np.newaxis]

    def process(self, block: Audio) -> None:
        """Some frames."""
        if not len(block):
            return
        self._clipping.process(block)
        self._highest = np.maximum(self._highest, block.max(axis=0))
        self._lowest = np.minimum(self._lowest, block.min(axis=0))
        last = len(block) - SPECTRUM_FRAMES
        for start in np.linspace(0, last, SPECTRA_A_BLOCK).astype(int) if last >= 0 else ():
            spectrum = np.fft.rfft(block[start : start + SPECTRUM_FRAMES] * self._window, axis=0)
            self._power += np.square(np.abs(spectrum)).sum(axis=1)

    def finish(self) -> Condition:
        """What was found."""
        self._clipping.finish()
        runs = self._clipping.runs
        frames = clipped_frames(runs)
        if not frames and np.isfinite(self._highest).all():
            tops = judge_flat_tops(self._clipping.tops, self._highest, self._lowest)
            frames = sum(clipped_frames(each.tops) for each in tops if not each.is_sloped)
        edge = find_band_limit(self._power, rate_hz=self._rate_hz) if self._power.any() else None
        return Condition(clipped_frames=frames, edge_hz=edge.edge_hz if edge else 0.0)
