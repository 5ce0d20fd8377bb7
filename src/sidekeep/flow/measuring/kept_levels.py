"""Peaks and powers per 100 ms, kept after the meters are gone: enough to choose a gain for any spans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.loudness import integrated_loudness
from sidekeep.flow.measuring.measures import (
    FrameSpans,
    LevelMeter,
    PeakLoudnessMeter,
    windows_inside,
    windows_touching,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class KeptLevels:
    """``powers`` are K-weighted mean squares summed over channels, ``peaks`` linear true peaks, both (windows,)
    of ``window_frames`` frames."""

    window_frames: int
    powers: NDArray[np.float64]
    peaks: NDArray[np.float64]

    @classmethod
    def of(cls, meter: PeakLoudnessMeter | LevelMeter) -> KeptLevels:
        """What a meter measured."""
        meter.close()
        return cls(window_frames=meter.window_frames, powers=meter.window_powers, peaks=meter.window_peaks)

    def true_peak(self, spans: FrameSpans) -> float:
        """Linear true peak over spans of frames."""
        touched = windows_touching(spans, self.window_frames, len(self.peaks))
        return float(self.peaks[touched].max(initial=0.0))

    def powers_of(self, spans: FrameSpans) -> list[NDArray[np.float64]]:
        """The powers inside each span."""
        return [self.powers[part] for part in windows_inside(spans, self.window_frames, len(self.powers))]


def joint_loudness(takes: Sequence[tuple[KeptLevels, FrameSpans]]) -> float:
    """Integrated loudness (LUFS) of spans on several takes measured as one programme."""
    return integrated_loudness([piece for levels, spans in takes for piece in levels.powers_of(spans)])
