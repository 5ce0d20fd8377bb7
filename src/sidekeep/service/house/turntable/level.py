"""The input in use and its level while nothing is recorded: chosen, remembered, watched before the needle goes down.

The level is a reading: only the newest is worth something. Watching ends by itself when nobody asks for it again.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from sidekeep.errors import DeviceError, ShelfError, SidekeepError
from sidekeep.model.news import News
from sidekeep.service.gauge import watch_level
from sidekeep.service.house.events import EventHub
from sidekeep.service.house.turntable.session_view import reading_view, told
from sidekeep.service.inputs import (
    list_inputs,
    notes_of,
    pick_input,
    recorder_settings,
    remembered_input,
)
from sidekeep.service.wishes import aim_for, aim_wished_dbfs, form_wished, keep_wishes

METER_EVERY_S = 0.05
GAUGE_KEPT_S = 60.0


def input_views() -> dict[str, Any]:
    """All inputs with their true format, and which one is used. Where there is none, ``trouble`` says why: that is an answer,
    not a failure."""
    known = remembered_input()
    found = []
    try:
        inputs = list_inputs()
    except DeviceError as error:
        trouble = " ".join(str(error).split())
        return {"inputs": [], "settings": settings_view(), "trouble": trouble}
    for each in inputs:
        facts = {
            name: value
            for name, value in asdict(each).items()
            if name not in ("key", "notes", "device", "source")
        }
        found.append(
            {
                **facts,
                "id": each.key,
                "notes": [note.as_object() for note in notes_of(each)],
                "chosen": known is not None and each.key == known[0],
            }
        )
    return {"inputs": found, "settings": settings_view(), "trouble": ""}


def use_input(key: str, rate_hz: int | None, bits: int | None) -> dict[str, Any]:
    """Use an input from now on, also the next time."""
    recorder_settings(pick_input(key), rate_hz=rate_hz, bits=bits)
    keep_wishes(rate_hz=rate_hz, bits=bits)
    return settings_view()


def settings_view() -> dict[str, Any]:
    """What is remembered of the turntable."""
    known = remembered_input()
    rate_hz, bits = form_wished()
    return {
        "input": known[0] if known else None,
        "input_name": known[1] if known else None,
        "rate_hz": rate_hz,
        "bits": bits,
        "peak_dbfs": aim_wished_dbfs(),
    }


def input_in_use() -> Any:
    """The input that recording and level use. Raises ``DeviceError`` with what to do about it."""
    try:
        return pick_input()
    except DeviceError as error:
        raise DeviceError("no-input", reason=error) from error


class LevelWatch:
    """Watches the level of one input. Not safe for several threads at once: the turntable lets one in at a time."""

    def __init__(self, news: EventHub) -> None:
        self._news = news
        self._thread: threading.Thread | None = None
        self._ends = threading.Event()
        self._until_s = 0.0

    def watch(self, on: bool, peak_dbfs: float | None, is_at_work: Callable[[], bool]) -> dict[str, Any]:
        """Begin, go on with or end watching the level while nothing is recorded. It ends by itself when nobody asks
        for it again: a closed page holds no input open. ``peak_dbfs``: where the highest peaks should come to, from now on."""
        self._until_s = time.monotonic() + GAUGE_KEPT_S
        is_other = peak_dbfs is not None and peak_dbfs != aim_wished_dbfs()
        if is_other:
            keep_wishes(peak_dbfs=peak_dbfs)
        if on and not is_other and self._thread is not None and self._thread.is_alive():
            return {"on": True}
        self.end()
        if on:
            if is_at_work():
                raise ShelfError("being-recorded")
            rate_hz, bits = form_wished()
            settings = recorder_settings(input_in_use(), rate_hz=rate_hz, bits=bits)
            aim = aim_for(settings.bits)
            self._ends = threading.Event()
            ends = self._ends

            def watch() -> None:
                try:
                    readings = watch_level(
                        settings, every_s=METER_EVERY_S, gauge_settings=aim, tell=self._tell_news
                    )
                    with contextlib.closing(readings):
                        for reading in readings:
                            if ends.is_set() or time.monotonic() > self._until_s:
                                return
                            self._news.show(
                                "meter",
                                {
                                    "reading": reading_view(reading),
                                    "recording": False,
                                    "aim_dbfs": [aim.lowest_peak_dbfs, aim.highest_peak_dbfs],
                                },
                            )
                except SidekeepError as error:
                    self._news.publish("meter-ended", told(error))

            self._thread = threading.Thread(target=watch, name="gauge", daemon=True)
            self._thread.start()
        return {"on": on}

    def end(self) -> None:
        """Watch no more; the input is free when this returns."""
        self._ends.set()
        if self._thread is not None:
            self._thread.join(10.0)
            self._thread = None

    def _tell_news(self, news: News) -> None:
        self._news.publish("turntable", {"news": news.as_object()})
