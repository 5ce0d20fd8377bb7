"""Watching the level before anything is recorded."""

from __future__ import annotations

from collections.abc import Generator

from sidekeep.devices.recorder import Recorder, RecorderSettings
from sidekeep.errors import DeviceError
from sidekeep.flow.gauge import Gauge, GaugeReading, GaugeSettings


def watch_level(
    settings: RecorderSettings, *, every_s: float = 0.2, gauge_settings: GaugeSettings | None = None
) -> Generator[GaugeReading, None, None]:
    """Readings until the caller stops asking; nothing is written."""
    gauge = Gauge(
        rate_hz=settings.rate_hz,
        channels=settings.channels,
        settings=gauge_settings or GaugeSettings.for_bits(settings.bits),
    )
    next_frame = 0
    with Recorder(settings) as recorder:
        for event in recorder.events():
            if event.kind in ("failed", "lost"):
                raise DeviceError(str(event.fact("reason")))
            if event.kind == "left":
                raise DeviceError("the capture ended by itself; connect the input again and start anew")
            if event.kind == "audio" and event.block is not None:
                gauge.process(event.block)
                if event.frame >= next_frame:
                    next_frame = event.frame + int(every_s * settings.rate_hz)
                    yield gauge.reading()
