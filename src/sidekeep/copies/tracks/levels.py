"""Loudness and peak of tracks and record, measured while the copies are fed, and ReplayGain from them.

ReplayGain 2.0: the gain that brings the BS.1770 loudness to -18 LUFS; the peak is linear, here the true
peak. The loudness of a
side and of the record is gated over all its tracks as one programme.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.loudness import LoudnessMeter, integrated_loudness
from sidekeep.dsp.level.true_peak import TruePeakMeter
from sidekeep.files.tags.tag_set import Gain
from sidekeep.flow.measuring.measures import JointMeter
from sidekeep.units import MINIMUM_DB, db_to_gain

REFERENCE_LUFS = -18.0

Piece = tuple[int, int]
"""Index of a side and of a track on it."""


@dataclass(frozen=True, kw_only=True)
class SoundLevel:
    """``true_peak`` is linear; silence reads ``MINIMUM_DB``."""

    integrated_lufs: float
    true_peak: float


@dataclass(frozen=True, kw_only=True)
class HeardTrack:
    """What was heard of one track, of which the levels of any programme with it follow: weighted power of every whole 100 ms
    (BS.1770), highest true peak (linear), length in frames as fed."""

    powers: NDArray[np.float64]
    true_peak: float
    length_frames: int


@dataclass(frozen=True, kw_only=True)
class RecordLevels:
    """Of every track, every side (by index) and the record, as fed (after mending and gain)."""

    record: SoundLevel
    sides: Mapping[int, SoundLevel] = field(default_factory=dict)
    tracks: Mapping[Piece, SoundLevel] = field(default_factory=dict)


def replay_gain(level: SoundLevel, *, lowered_db: float = 0.0, peak: float | None = None) -> Gain:
    """ReplayGain of a file that was lowered by ``lowered_db``; silence gets 0 dB."""
    loudness_lufs = level.integrated_lufs - lowered_db
    gain_db = REFERENCE_LUFS - loudness_lufs if level.integrated_lufs > MINIMUM_DB else 0.0
    if peak is None:
        peak = level.true_peak * db_to_gain(-lowered_db)
    return Gain(gain_db=round(gain_db, 2), peak=round(peak, 6))


class LevelTracker:
    """Feed it every block in order; ``result`` after the last. ``heard`` is what it knows of each piece; what an earlier run
    heard of the same sound may be put there instead of being fed."""

    def __init__(self) -> None:
        self._piece: Piece | None = None
        self._loudness: LoudnessMeter | None = None
        self._peak: TruePeakMeter | None = None
        self._meter: JointMeter | None = None
        self._frames = 0
        self.heard: dict[Piece, HeardTrack] = {}

    def process(self, piece: Piece, rate_hz: int, block: NDArray[np.float64]) -> None:
        """The next frames of a piece."""
        if piece != self._piece:
            self.close()
            self._piece = piece
            self._frames = 0
            self._loudness = LoudnessMeter(rate_hz, block.shape[1], polls=False)
            self._peak = TruePeakMeter(rate_hz, block.shape[1], only_highest=True)
            self._meter = JointMeter(rate_hz, block.shape[1], (self._loudness, self._peak))
        assert self._meter is not None
        self._frames += len(block)
        self._meter.process(block)

    def close(self) -> None:
        """The piece that was fed last is whole."""
        if self._piece is None or self._loudness is None or self._peak is None or self._meter is None:
            return
        self._meter.close()
        self.heard[self._piece] = HeardTrack(
            powers=self._loudness.powers.copy(), true_peak=self._peak.peak, length_frames=self._frames
        )
        self._piece = self._loudness = self._peak = self._meter = None

    def result(self) -> RecordLevels:
        """Levels of everything heard."""
        self.close()
        pieces = sorted(self.heard)
        sides = dict.fromkeys(side for side, _ in pieces)
        return RecordLevels(
            record=self._together(pieces),
            sides={side: self._together([piece for piece in pieces if piece[0] == side]) for side in sides},
            tracks={piece: self._together([piece]) for piece in pieces},
        )

    def _together(self, pieces: list[Piece]) -> SoundLevel:
        """Of several pieces as one programme."""
        return SoundLevel(
            integrated_lufs=integrated_loudness([self.heard[piece].powers for piece in pieces]),
            true_peak=max((self.heard[piece].true_peak for piece in pieces), default=0.0),
        )
