"""From the capture to its parent: news always, audio as long as the parent keeps up. Never waited for."""

from __future__ import annotations

import json
import queue
import struct
import threading
from typing import Any, BinaryIO

from sidekeep.model.finding import Fact, Severity
from sidekeep.model.news import News

JSON, AUDIO = b"J", b"A"
_LISTENER_BLOCKS = 400


class Messenger:
    """Sends from its own thread; audio is dropped when the parent lags by 20 s, news never."""

    def __init__(self, out: BinaryIO) -> None:
        self._out = out
        self._queue: queue.Queue[tuple[bytes, bytes] | None] = queue.Queue()
        self._audio_waiting = 0
        self._thread = threading.Thread(target=self._run, name="messenger", daemon=True)
        self._thread.start()

    def tell(self, event: str, **facts: Any) -> None:
        """A JSON message."""
        self._queue.put((JSON, json.dumps({"event": event, **facts}).encode()))

    def news(self, code: str, severity: Severity = "note", at_frame: int = -1, **facts: Fact) -> None:
        """Something a person should hear; ``at_frame`` counts in the open take."""
        self.pass_on(News(code=code, severity=severity, at_frame=at_frame, facts=facts))

    def pass_on(self, news: News) -> None:
        """The same, for news that are made already."""
        self.tell("news", news=news.as_object())

    def audio(self, frame: int, raw: bytes) -> None:
        """Audio for listeners, if they keep up."""
        if self._audio_waiting < _LISTENER_BLOCKS:
            self._audio_waiting += 1
            self._queue.put((AUDIO, struct.pack("<q", frame) + raw))

    def close(self) -> None:
        """Send what waits (a parent that is gone is no reason to hang)."""
        self._queue.put(None)
        self._thread.join(timeout=2.0)

    def _run(self) -> None:
        broken = False
        while (message := self._queue.get()) is not None:
            kind, body = message
            if kind == AUDIO:
                self._audio_waiting -= 1
            if broken:
                continue
            try:
                self._out.write(struct.pack("<I", len(body)) + kind + body)
                self._out.flush()
            except (OSError, ValueError):
                broken = True
