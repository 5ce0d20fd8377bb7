"""One lossy file: encoded from its spills, decoded again, compared, its true peak measured.

An encoder's noise adds to peaks: what was below full scale can come back above it and be clipped by a
player. So every lossy copy is decoded and measured; if one passes the ceiling, all copies of that kind are
made again, lower by what the worst one needs: one gain for the whole record, never one per track.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sidekeep.copies.plan.planned import PlannedFile
from sidekeep.copies.run.spill import read_spills, spill_edge
from sidekeep.dsp.level.true_peak import TruePeakMeter
from sidekeep.errors import Cancelled, CopyError
from sidekeep.files.writing.sinks import codec_of, open_sink
from sidekeep.flow.ports import BLOCK_FRAMES
from sidekeep.units import db_to_gain, gain_to_db

LEAST_CORRELATION = 0.8
"""Correlation a decoded copy must have with what went in; music is above 0.99 at these bit rates."""

_QUIET_POWER = 1e-7
"""Below -70 dBFS an encoder may leave out what nobody hears: nothing to compare."""

LOWERING_STEP_DB = 0.1
"""A kind that passes the ceiling is lowered by whole steps, one more than it needs: an encoder answers another level with other
noise."""


@dataclass(frozen=True, kw_only=True)
class Encoded:
    """What a finished lossy file turned out to be."""

    lowered_db: float
    true_peak_dbtp: float


def encode_lossy(
    planned: PlannedFile,
    spills: Sequence[tuple[Path, int]],
    path: Path,
    *,
    around: Sequence[tuple[Path, int] | None] = (None, None),
    lowered_db: float,
    stop: threading.Event,
) -> Encoded:
    """Encode, read back, compare, measure. ``around`` are the samples heard before and after. Raises ``CopyError``;
    ``Cancelled`` when ``stop`` is set."""
    ear = _Ear(planned, spills, db_to_gain(-lowered_db))
    codec = codec_of(planned.codec)
    before = spill_edge(around[0], planned.channels, codec.before_frames, at_end=True)
    after = spill_edge(around[1], planned.channels, codec.after_frames, at_end=False)
    sink = open_sink(
        path,
        planned.codec,
        rate_hz=planned.rate_hz,
        channels=planned.channels,
        length_frames=planned.length_frames,
        bit_rate=planned.kbit_per_s * 1000 or None,
        # Of what the file holds alone: the same bytes whenever it is made, no two of a record alike.
        serial=int(planned.alone_key[:7], 16),
        before=None if before is None else before * ear.gain,
        after=None if after is None else after * ear.gain,
        replace=True,
        listen=ear.hear,
    )
    try:
        for block in read_spills(spills, planned.channels):
            if stop.is_set():
                raise Cancelled("copies-stopped")
            sink.write(block if ear.gain == 1.0 else block * ear.gain)
        sink.close()
    except BaseException:
        sink.abandon()
        raise
    if sink.written.frames != planned.length_frames:
        raise CopyError(
            "copy-frames",
            path=planned.path,
            came_frames=sink.written.frames,
            due_frames=planned.length_frames,
        )
    return Encoded(lowered_db=lowered_db, true_peak_dbtp=ear.true_peak_dbtp())


def needed_lowering_db(true_peak_dbtp: float, ceiling_dbtp: float) -> float:
    """How much lower a copy must be made so that its decoded peak stays under the ceiling, in whole steps,
    with one step to spare because the encoder's noise changes with the level."""
    over_db = true_peak_dbtp - ceiling_dbtp
    if over_db <= 0.0:
        return 0.0
    return round((math.ceil(over_db / LOWERING_STEP_DB - 1e-9) + 1) * LOWERING_STEP_DB, 3)


class _Ear:
    """Hears the decoded file: true peak, and correlation with what went in, block by block."""

    def __init__(self, planned: PlannedFile, spills: Sequence[tuple[Path, int]], gain: float) -> None:
        self.gain = gain
        self._planned = planned
        self._source = read_spills(spills, planned.channels)
        self._held: NDArray[np.float64] = np.zeros((0, planned.channels))
        self._heard: list[NDArray[np.float64]] = []
        self._heard_frames = 0
        self._meter = TruePeakMeter(planned.rate_hz, planned.channels, only_highest=True)
        self._sums = np.zeros(3)
        self._frames = 0

    def hear(self, block: NDArray[np.float64]) -> None:
        """The next decoded frames. Decoders give a thousand at a time; measuring likes more."""
        self._heard.append(block)
        self._heard_frames += len(block)
        if self._heard_frames >= BLOCK_FRAMES:
            self._measure()

    def _measure(self) -> None:
        block = self._heard[0] if len(self._heard) == 1 else np.concatenate(self._heard)
        self._heard, self._heard_frames = [], 0
        self._meter.process(block)
        while len(self._held) < len(block):
            more = next(self._source, None)
            if more is None:
                break
            self._held = np.concatenate((self._held, more)) if len(self._held) else more
        count = min(len(block), len(self._held))
        source, self._held = self._held[:count], self._held[count:]
        self._frames += count
        decoded = block[:count]
        # Not BLAS products: their threads would take the cores from the encoders.
        pairs = ((source, decoded), (source, source), (decoded, decoded))
        self._sums += [float(np.einsum("ij,ij->", one, other)) for one, other in pairs]

    def true_peak_dbtp(self) -> float:
        """Of the whole decoded file; raises ``CopyError`` when it is not what went in."""
        if self._heard:
            self._measure()
        self._meter.finish()
        both, source, decoded = self._sums
        if source / max(1, self._frames * self._planned.channels) > _QUIET_POWER:
            correlation = both / math.sqrt(max(source * decoded, 1e-300))
            if correlation < LEAST_CORRELATION:
                raise CopyError(
                    "copy-decodes-differently",
                    path=self._planned.path,
                    correlation=correlation,
                    least=LEAST_CORRELATION,
                )
        return gain_to_db(self._meter.peak)
