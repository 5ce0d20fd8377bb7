"""The capture process: ``python -m sidekeep.devices.recorder_process``. It does one thing and does it alone.

Three threads: the sound library's callback copies a block into a queue and returns; the writer (``take_keeper``) appends it
to the take and syncs every two seconds; the messenger sends it on to whoever listens, and drops it when nobody
keeps up - recording never waits for a listener. Nothing here decides where a side begins or ends.

Spoken over pipes. The first line of standard input is the configuration, then orders come as lines::

    {"do": "begin", "path": "...", "from_frame": n, "places": [...], "bext": {...}}   open a take
    {"do": "end"}                                                                  close it
    (end of input)                                                                 close and leave: the parent is gone

What it has to say goes to standard output as ``length (uint32) kind (1 byte) body``: ``J`` a JSON object (started, begun,
synced, parted, ended, news, left), ``A`` audio: int64 frame number, then raw little-endian samples.

A stall is not an end: as long as the stream is there it is waited for. An input that is gone, or another one than was
chosen, ends the take and the process; the parent opens a new one when the input is back.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from sidekeep.devices.identity_watch import IdentityWatch
from sidekeep.devices.loss_watch import StampClock
from sidekeep.devices.messenger import Messenger
from sidekeep.devices.take_keeper import Block, TakeKeeper, now_s
from sidekeep.model.news import News

STALL_S = 3.0
GIVE_UP_S = 25.0
"""After so long without sound from a stream that says it is open, a new one is tried."""
_TICK_S = 0.1


class Stream:
    """The open input of the sound library, and what is known of its health."""

    def __init__(self, config: dict[str, Any], keeper: TakeKeeper) -> None:
        import sounddevice

        self._keeper = keeper
        self._clock = StampClock()
        self._channels = config["channels"]
        self._opened = max(self._channels, config.get("opened_channels", 0))
        self._first = config.get("first_channel", 0)
        self._sample_bytes = config["bits"] // 8
        self._rate_hz = config["rate_hz"]
        self.gone = threading.Event()
        self.stopping = False
        self.blocks = 0
        self._stream = sounddevice.RawInputStream(
            device=config.get("device"),
            channels=self._opened,
            dtype=f"int{config['bits']}",
            samplerate=config["rate_hz"],
            blocksize=config["rate_hz"] // 20,
            latency=0.5,
            callback=self._callback,
            finished_callback=self._finished,
        )
        self._stream.start()

    def _callback(self, data: Any, frames: int, when: Any, status: Any) -> None:
        arrived_s = now_s()
        stamp_s = self._clock.stamp(
            arrived_s, when.currentTime, when.inputBufferAdcTime, frames / self._rate_hz
        )
        raw = bytes(data)
        if self._opened > self._channels:
            raw = chosen_channels(
                raw,
                opened=self._opened,
                first=self._first,
                kept=self._channels,
                sample_bytes=self._sample_bytes,
            )
        self._keeper.blocks.put(Block(raw, stamp_s, bool(status.input_overflow)))
        self.blocks += 1

    def _finished(self) -> None:
        if not self.stopping:
            self.gone.set()

    def close(self) -> None:
        """Let go. A hung sound server can keep the library for ever: it is given two seconds."""
        self.stopping = True

        def let_go() -> None:
            with contextlib.suppress(Exception):
                self._stream.abort()
                self._stream.close()

        thread = threading.Thread(target=let_go, daemon=True)
        thread.start()
        thread.join(2.0)


def chosen_channels(raw: bytes, *, opened: int, first: int, kept: int, sample_bytes: int) -> bytes:
    """Of interleaved samples of so many opened channels those from one on that are kept, as they came."""
    samples = np.frombuffer(raw, np.uint8).reshape(-1, opened, sample_bytes)
    return samples[:, first : first + kept].tobytes()


class Health:
    """Counts how long the stream has been silent, in time that this process itself was awake."""

    def __init__(self, messenger: Messenger) -> None:
        self._messenger = messenger
        self._blocks = -1
        self.silent_s = 0.0
        self._told = False
        self._since_s = now_s()

    def look(self, blocks: int) -> None:
        """Once per tick."""
        if blocks != self._blocks:
            if self._told:
                self._messenger.news("resumed", silent_s=round(now_s() - self._since_s, 1))
                self._told = False
            self._blocks, self.silent_s, self._since_s = blocks, 0.0, now_s()
            return
        # Not by the clock: if this process was stopped, or the machine asleep, the stream may be well.
        self.silent_s += _TICK_S
        if self.silent_s >= STALL_S and not self._told:
            self._told = True
            self._messenger.news("stall", "look", silent_s=round(self.silent_s, 1))


def record(config: dict[str, Any], orders: BinaryIO, out: BinaryIO) -> int:
    """Open the input and serve until the orders end or the input is lost."""
    messenger = Messenger(out)
    keeper = TakeKeeper(
        messenger,
        rate_hz=config["rate_hz"],
        channels=config["channels"],
        bits=config["bits"],
        ring_s=config.get("ring_s", 30.0),
    )
    try:
        stream = Stream(config, keeper)
    except Exception as error:  # every library error ends the same way: told in one line
        messenger.pass_on(News(code="not-opened", severity="act", facts=_why_not(error)))
        messenger.tell("left")
        messenger.close()
        return 2
    messenger.tell("started", rate_hz=config["rate_hz"], channels=config["channels"], bits=config["bits"])
    writer = threading.Thread(target=keeper.run, name="writer")
    writer.start()
    left = threading.Event()
    for number in ("SIGTERM", "SIGINT"):
        signal.signal(getattr(signal, number), lambda *_: left.set())

    def listen() -> None:
        with contextlib.suppress(OSError, ValueError):
            for line in orders:
                if line.strip():
                    keeper.blocks.put(json.loads(line))
        left.set()

    threading.Thread(target=listen, name="orders", daemon=True).start()
    moved: list[str] = []

    identity = None
    if config.get("source"):
        identity = IdentityWatch(
            config["source"], moved=moved.append, tell=messenger.pass_on, told=config.get("told", ())
        )
    health = Health(messenger)
    while not left.is_set():
        time.sleep(_TICK_S)
        health.look(stream.blocks)
        if moved:
            messenger.news("input-moved", "act", other=moved[0])
            break
        if stream.gone.is_set() or health.silent_s > GIVE_UP_S:
            messenger.news("input-gone", "act")
            break
    lost = not left.is_set()
    if identity is not None:
        identity.stop()
    if lost:
        keeper.blocks.put({"do": "lost"})
    keeper.blocks.put(None)
    writer.join()
    messenger.tell("left")
    messenger.close()
    stream.close()
    return 0


def _why_not(error: Exception) -> dict[str, str]:
    if isinstance(error, (ImportError, OSError)):
        return {"why": "library-missing", "reason": ""}
    text = " ".join(str(part) for part in error.args[:1]) or type(error).__name__
    return {"why": "refused", "reason": text}


def main() -> int:
    """Entry of the child process; the first line of input is the configuration."""
    out = os.fdopen(os.dup(1), "wb")
    # What native libraries print must not get between.
    os.dup2(2, 1)
    config = json.loads(sys.stdin.buffer.readline())
    if Path("/proc/self/oom_score_adj").exists():
        with contextlib.suppress(OSError):
            Path("/proc/self/oom_score_adj").write_text("-500")
    return record(config, sys.stdin.buffer, out)


if __name__ == "__main__":
    code = main()
    # A thread may still hang in the sound library; everything is closed, so nothing is waited for.
    sys.stderr.flush()
    os._exit(code)
