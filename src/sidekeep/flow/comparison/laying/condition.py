"""What limits a take before it is compared: clipping, a sharp upper edge (a lossy format, a lower rate), channels that hold the
same.

Fed with the blocks of the first reading. Clipping is told as in a survey (``dsp.level.clipping``), the edge too
(``dsp.level.channels``), from some spectra of each block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sidekeep.dsp.level.channels import find_band_limit
from sidekeep.dsp.level.clipping import ClippingMeter, clipped_frames
from sidekeep.dsp.level.flat_tops import judge_flat_tops
from sidekeep.flow.ports import Audio
from sidekeep.model.audio import AudioFormat

SPECTRUM_FRAMES = 4096
SPECTRA_A_BLOCK = 6
"""Six spectra of 93 ms in each three seconds: some thousands over a side, as a survey has."""
SILENT = 10 ** (-80 / 20)
"""Under the hiss of a phono stage at a usual gain (common practice, no source)."""
DEAD = 10 ** (-36 / 20)
"""Crosstalk alone leaves more in the other channel: cartridges separate them by 20 to 30 dB (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Condition:
    """``clipped_frames`` cut off at full scale or, in an earlier stage, below it; ``edge_hz`` of a wall, 0 without one;
    ``rms`` (channels,) of the sound; ``own_share`` of a channel's power that is not the other one's, 1 for mono; ``length_s`` of
    the take."""

    clipped_frames: int = 0
    edge_hz: float = 0.0
    rms: tuple[float, ...] = ()
    own_share: float = 1.0
    length_s: float = 0.0

    @property
    def is_silent(self) -> bool:
        """Whether no channel holds a sound."""
        return bool(self.rms) and max(self.rms) < SILENT

    @property
    def dead_channel(self) -> int | None:
        """The channel of a stereo take that holds next to nothing while the other one plays."""
        if len(self.rms) != 2 or self.is_silent:
            return None
        quiet = min((0, 1), key=self.rms.__getitem__)
        return quiet if self.rms[quiet] < DEAD * self.rms[1 - quiet] else None


class ConditionMeter:
    """Running; ``process`` blocks (frames, channels) in order, then ``finish``."""

    def __init__(self, form: AudioFormat) -> None:
        self._rate_hz = form.rate_hz
        self._clipping = ClippingMeter(form.rate_hz, form.channels)
        self._highest = np.full(form.channels, -np.inf)
        self._lowest = np.full(form.channels, np.inf)
        self._energy = np.zeros(form.channels)
        self._shared_energy = 0.0
        self._length_s = form.length_s
        self._frames = 0
        self._power = np.zeros(SPECTRUM_FRAMES // 2 + 1)
        self._window = np.hanning(SPECTRUM_FRAMES)[:, np.newaxis]

    def process(self, block: Audio) -> None:
        """Some frames."""
        if not len(block):
            return
        self._clipping.process(block)
        for channel, line in enumerate(block.T):
            # a channel at a time: over both at once the library goes frame by frame, several times as slowly
            self._highest[channel] = max(self._highest[channel], line.max())
            self._lowest[channel] = min(self._lowest[channel], line.min())
            self._energy[channel] += line @ line
        if block.shape[1] == 2:
            self._shared_energy += float(block[:, 0] @ block[:, 1])
        self._frames += len(block)
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
        rms = np.sqrt(self._energy / max(1, self._frames))
        own_share = 1.0
        if self._shared_energy > 0.0:
            own_share = max(0.0, 1.0 - self._shared_energy**2 / float(self._energy.prod()))
        return Condition(
            clipped_frames=frames,
            edge_hz=edge.edge_hz if edge else 0.0,
            rms=tuple(float(value) for value in rms),
            own_share=own_share,
            length_s=self._length_s,
        )
