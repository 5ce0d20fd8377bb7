"""Watching the level before anything is recorded."""

from __future__ import annotations

from collections.abc import Callable, Generator

from sidekeep.devices.recorder import Recorder, RecorderSettings
from sidekeep.errors import DeviceError
from sidekeep.flow.needle.gauge import Gauge, GaugeReading, GaugeSettings
from sidekeep.model.news import News
from sidekeep.service.wishes import aim_for

_ENDS = ("not-opened", "input-gone", "input-moved")


def watch_level(
    settings: RecorderSettings,
    *,
    every_s: float = 0.2,
    gauge_settings: GaugeSettings | None = None,
    tell: Callable[[News], None] | None = None,
) -> Generator[GaugeReading, None, None]:
    """Readings until the caller stops asking; nothing is written."""
    gauge = Gauge(
        rate_hz=settings.rate_hz,
        channels=settings.channels,
        settings=gauge_settings or aim_for(settings.bits),
    )
    next_frame = 0
    with Recorder(settings) as recorder:
        for event in recorder.events():
            if event.kind == "news" and event.news is not None:
                if event.news.code in _ENDS:
                    raise open_error(event.news)
                if tell is not None:
                    tell(event.news)
            if event.kind == "left":
                raise DeviceError("capture-ended")
            if event.kind == "audio" and event.block is not None:
                gauge.process(event.block)
                if event.frame >= next_frame:
                    next_frame = event.frame + int(every_s * settings.rate_hz)
                    yield gauge.reading()


def open_error(news: News) -> DeviceError:
    """The error for an input that cannot be opened or is gone."""
    if news.facts.get("why") == "library-missing":
        return DeviceError("no-sound-library")
    if news.code == "not-opened":
        return DeviceError("input-not-opened", reason=news.facts.get("reason"))
    if news.code == "input-moved":
        return DeviceError("input-moved", other=news.facts.get("other"))
    return DeviceError("input-gone")
