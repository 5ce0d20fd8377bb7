"""The parent's side of the capture process: orders out, news and audio in."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from sidekeep.devices.messenger import AUDIO
from sidekeep.errors import DeviceError
from sidekeep.flow.ports import Audio
from sidekeep.model.news import News

EventKind = Literal["started", "begun", "synced", "parted", "ended", "news", "left", "audio", "quiet"]


@dataclass(frozen=True, kw_only=True)
class RecorderSettings:
    """What is opened. ``opened_channels`` are opened where the device has more than the ``channels`` that are kept, those from
    ``first_channel`` on; 0: as many as are kept. ``device`` is the library's name or number, None for the default; ``source``
    names a source of the sound server (PulseAudio), which must be chosen before the device is opened; ``told`` are codes of
    what was said of the input already (muted, turned down), so that it is not said again."""

    rate_hz: int = 96_000
    channels: int = 2
    opened_channels: int = 0
    first_channel: int = 0
    bits: int = 24
    device: str | int | None = None
    source: str | None = None
    ring_s: float = 30.0
    told: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class RecorderEvent:
    """What the capture says. ``audio`` events carry ``block`` (frames, channels) starting at ``frame``, counted from the
    moment the input was opened; ``news`` events something a person should hear; ``begun``, ``synced`` and ``ended`` what is on
    the disk; ``quiet`` says that nothing came for a while; ``left`` is the last."""

    kind: EventKind
    frame: int = -1
    block: Audio | None = None
    facts: Mapping[str, Any] | None = None
    news: News | None = None

    def fact(self, name: str, default: Any = None) -> Any:
        """One fact of the news."""
        return (self.facts or {}).get(name, default)


class Recorder:
    """An open sound input in a process of its own. Use as a context manager; leaving closes any take."""

    def __init__(self, settings: RecorderSettings) -> None:
        self.settings = settings
        environment = dict(os.environ)
        if settings.source is not None:
            environment["PULSE_SOURCE"] = settings.source
        self._process = subprocess.Popen(
            [sys.executable, "-m", "sidekeep.devices.recorder_process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            start_new_session=True,  # Ctrl+C at the terminal reaches the person's program, not the recording
        )
        self._events: queue.Queue[RecorderEvent] = queue.Queue()
        self._send(asdict(settings))
        self._reader = threading.Thread(target=self._read, name="recorder-news", daemon=True)
        self._reader.start()

    @property
    def process_id(self) -> int:
        """Of the capture process."""
        return self._process.pid

    def begin(
        self,
        path: Path,
        bext: Mapping[str, Any] | None = None,
        *,
        from_frame: int | None = None,
        places: Sequence[Path] = (),
    ) -> None:
        """Open a take. It begins at ``from_frame`` (of the input), as far back as the ring of the capture reaches, without it
        now; ``places`` are folders to go on in, best first, when ``path`` cannot be written."""
        order: dict[str, Any] = {"do": "begin", "path": str(path), "bext": dict(bext or {})}
        if from_frame is not None:
            order["from_frame"] = from_frame
        self._send({**order, "places": [str(place) for place in places]})

    def end(self) -> None:
        """Close the take; the input stays open."""
        self._send({"do": "end"})

    def events(self, quiet_after_s: float = 1.0) -> Iterator[RecorderEvent]:
        """News as it comes, until the capture has left."""
        while True:
            try:
                event = self._events.get(timeout=quiet_after_s)
            except queue.Empty:
                event = RecorderEvent(kind="quiet")
            yield event
            if event.kind == "left":
                return

    def close(self) -> None:
        """Close the take and the input."""
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()
        try:
            self._process.wait(timeout=15.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._reader.join(timeout=5.0)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _send(self, order: Mapping[str, Any]) -> None:
        try:
            assert self._process.stdin is not None
            self._process.stdin.write(json.dumps(order).encode() + b"\n")
            self._process.stdin.flush()
        except OSError as error:
            raise DeviceError("capture-gone") from error

    def _read(self) -> None:
        pipe = self._process.stdout
        assert pipe is not None
        try:
            while len(head := pipe.read(5)) == 5:
                (length,) = struct.unpack("<I", head[:4])
                body = pipe.read(length)
                if len(body) < length:
                    break
                self._events.put(self._understand(head[4:], body))
        except (OSError, ValueError):
            pass
        self._events.put(RecorderEvent(kind="left", facts={"code": self._process.poll()}))

    def _understand(self, kind: bytes, body: bytes) -> RecorderEvent:
        if kind == AUDIO:
            (frame,) = struct.unpack("<q", body[:8])
            block = decode_pcm(body[8:], self.settings.bits, self.settings.channels)
            return RecorderEvent(kind="audio", frame=frame, block=block)
        facts = json.loads(body)
        if facts["event"] == "news":
            return RecorderEvent(kind="news", news=News.from_object(facts["news"]))
        return RecorderEvent(kind=facts.pop("event"), frame=facts.get("frame", -1), facts=facts)


def decode_pcm(raw: bytes, bits: int, channels: int) -> Audio:
    """Little-endian PCM of 16, 24 or 32 bits to float64, full scale +-1.0."""
    if bits == 24:
        wide = np.zeros((len(raw) // 3, 4), np.uint8)
        wide[:, 1:] = np.frombuffer(raw, np.uint8).reshape(-1, 3)
        steps = wide.view("<i4").reshape(-1) >> 8
    else:
        steps = np.frombuffer(raw, f"<i{bits // 8}")
    return steps.reshape(-1, channels).astype(np.float64) / float(2 ** (bits - 1))
