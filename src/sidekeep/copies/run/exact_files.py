"""Files of exact kinds on their way: begun, full, closed and read back, noted as whole."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from sidekeep.copies.plan.planned import CopyPlan, PlannedFile
from sidekeep.copies.run.making import Making
from sidekeep.dsp.level.true_peak import TruePeakMeter
from sidekeep.files.writing.read_back import Listener
from sidekeep.files.writing.sink import FileSink
from sidekeep.files.writing.sinks import open_sink
from sidekeep.units import gain_to_db


class ExactFiles:
    """``submit`` runs a job on another thread."""

    def __init__(
        self, plan: CopyPlan, making: Making, submit: Callable[..., Any], stop: threading.Event
    ) -> None:
        self._plan = plan
        self._making = making
        self._submit = submit
        self._stop = stop
        self._full: list[FileSink] = []
        self._meters: dict[str, TruePeakMeter] = {}

    def start(self, planned: PlannedFile) -> FileSink:
        """Begin a file."""
        return open_sink(
            self._making.path(planned),
            planned.codec,
            rate_hz=planned.rate_hz,
            channels=planned.channels,
            bits=planned.bits,
            length_frames=planned.length_frames,
            replace=True,
            listen=self._peak_ear(planned),
        )

    def full(self, planned: PlannedFile, sink: FileSink) -> None:
        """Reading back takes a while: let another thread do it."""
        self._full.append(sink)
        self._submit(self._close, planned, sink)

    def abandon(self) -> None:
        """Let go of those whose closing was called off; the others are closed and take no harm."""
        for sink in self._full:
            sink.abandon()

    def _close(self, planned: PlannedFile, sink: FileSink) -> None:
        if self._stop.is_set():
            return
        sink.close()
        # An encoder keeps some 7 MB for as long as anybody knows its file.
        self._full.remove(sink)
        peak_dbtp = None
        if (meter := self._meters.pop(planned.path, None)) is not None:
            meter.finish()
            peak_dbtp = gain_to_db(meter.peak)
        self._making.note_staged(planned, true_peak_dbtp=peak_dbtp)

    def _peak_ear(self, planned: PlannedFile) -> Listener | None:
        """At another rate than the take's the peaks are others: they are measured as the file is read back."""
        if all(self._plan.sides[side].rate_hz == planned.rate_hz for side, _ in planned.pieces):
            return None
        meter = TruePeakMeter(planned.rate_hz, planned.channels, only_highest=True)
        self._meters[planned.path] = meter

        def hear(block: Any) -> None:
            meter.process(block)

        return hear
