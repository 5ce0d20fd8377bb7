"""The capture process: ``python -m sidekeep.devices.recorder_process``. It does one thing and does it alone.

Three threads: the sound library's callback copies a block into a queue and returns; the writer appends it to
the take and syncs every two seconds; the messenger sends it on to whoever listens, and drops it when nobody
keeps up - recording never waits for a listener. Nothing here measures or decides.

Spoken over pipes. Orders come as lines on standard input::

    {"do": "begin", "path": "...", "bext": {...}, "pre_roll_s": 3.0}   open a take, pre-roll first
    {"do": "end"}                                                     close the take
    (end of input)                                                    close and leave: the parent is gone

News goes to standard output as ``length (uint32) kind (1 byte) body``: ``J`` a JSON object (started, begun,
synced, ended, gap, overflow, lost, failed), ``A`` audio: int64 frame number, then raw little-endian samples.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import shutil
import struct
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any, BinaryIO

from sidekeep.errors import SidekeepError
from sidekeep.files.bext import Bext
from sidekeep.files.rf64 import TakeWriter

SYNC_EVERY_S = 2.0
SPARE_DISK_BYTES = 64 << 20
"""The take is closed while this much is still free, so that everything can be kept and noted."""
ALARM_GAP_S = 0.5
SILENT_CALLBACK_S = 1.0
_LISTENER_BLOCKS = 200

JSON, AUDIO = b"J", b"A"
Block = tuple[bytes, float, bool]
"""Raw frames, the monotonic time of their callback, whether the library told of an overflow."""


def now_s() -> float:
    """A clock that never jumps back and goes on while the machine sleeps, where there is one."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


class Messenger:
    """Sends to the parent from its own thread; audio is dropped when it lags, news never."""

    def __init__(self, out: BinaryIO) -> None:
        self._out = out
        self._queue: queue.Queue[tuple[bytes, bytes] | None] = queue.Queue()
        self._audio_waiting = 0
        self._thread = threading.Thread(target=self._run, name="messenger", daemon=True)
        self._thread.start()

    def news(self, event: str, **facts: Any) -> None:
        """A JSON message."""
        self._queue.put((JSON, json.dumps({"event": event, **facts}).encode()))

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
            except OSError:
                broken = True


class Clock:
    """Compares frames received with the monotonic clock: audio lost without a flag shows as a lag that stays.

    The lag jumps about with the size of the deliveries, so the smallest lag of the last two seconds counts.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._started_s: float | None = None
        self._frames = 0
        self._recent: deque[tuple[float, float]] = deque()
        self._known_s = 0.0

    def lost_frames(self, count: int, arrived_s: float) -> int:
        """Frames newly found missing after a delivery of ``count``; 0 while all is well."""
        self._frames += count
        if self._started_s is None:
            self._started_s = arrived_s - count / self._rate_hz
        lag_s = arrived_s - self._started_s - self._frames / self._rate_hz
        self._recent.append((arrived_s, lag_s))
        while self._recent[0][0] < arrived_s - 2.0:
            self._recent.popleft()
        if arrived_s - self._started_s < 3.0:
            # Deliveries of the first seconds are uneven: what they settle at is the starting point.
            self._known_s = min(lag for _, lag in self._recent)
            return 0
        settled_s = min(lag for _, lag in self._recent)
        more_s = settled_s - self._known_s
        if more_s > ALARM_GAP_S:
            self._known_s = settled_s
            return int(more_s * self._rate_hz)
        # The two clocks drift apart by some 100 ppm: that is followed, not reported.
        self._known_s += max(min(more_s, 1e-4), -1e-4)
        return 0


class Recorder:
    """State of the capture: the queue, the pre-roll, the open take."""

    def __init__(
        self, messenger: Messenger, *, rate_hz: int, channels: int, bits: int, pre_roll_s: float
    ) -> None:
        self.messenger = messenger
        self.rate_hz, self.channels, self.bits = rate_hz, channels, bits
        self.frame_bytes = channels * bits // 8
        self.blocks: queue.Queue[Block | dict[str, Any] | None] = queue.Queue()
        self._clock = Clock(rate_hz)
        self._frame = 0
        self._pre_roll: deque[bytes] = deque()
        self._pre_roll_bytes = 0
        self._pre_roll_limit = int(pre_roll_s * rate_hz) * self.frame_bytes
        self._take: TakeWriter | None = None
        self._take_start = 0
        self._synced_s = 0.0

    def run(self) -> None:
        """The writer's life: blocks and orders in the order they came, until None."""
        while (item := self.blocks.get()) is not None:
            try:
                if isinstance(item, dict):
                    self._obey(item)
                else:
                    self._keep(*item)
            except SidekeepError as error:
                self._fail(str(error))
        self._end()

    def _keep(self, raw: bytes, arrived_s: float, overflow: bool) -> None:
        if overflow:
            self.messenger.news("overflow", frame=self._frame, take_frame=self._take_frame())
        lost = self._clock.lost_frames(len(raw) // self.frame_bytes, arrived_s)
        if lost:
            self.messenger.news("gap", frame=self._frame, take_frame=self._take_frame(), lost_frames=lost)
        self.messenger.audio(self._frame, raw)
        self._frame += len(raw) // self.frame_bytes
        if self._take is None:
            self._hold(raw)
            return
        self._take.append_bytes(raw)
        if arrived_s - self._synced_s >= SYNC_EVERY_S:
            self._sync(arrived_s)

    def _hold(self, raw: bytes) -> None:
        self._pre_roll.append(raw)
        self._pre_roll_bytes += len(raw)
        while self._pre_roll and self._pre_roll_bytes - len(self._pre_roll[0]) >= self._pre_roll_limit:
            self._pre_roll_bytes -= len(self._pre_roll.popleft())

    def _take_frame(self) -> int:
        return self._frame - self._take_start if self._take is not None else -1

    def _sync(self, at_s: float) -> None:
        assert self._take is not None
        self._take.sync()
        self._synced_s = at_s
        free = shutil.disk_usage(self._take.path.parent).free
        self.messenger.news("synced", frames=self._take.frames, free_bytes=free)
        if free < SPARE_DISK_BYTES:
            self.messenger.news("failed", reason="the disk is nearly full; the take was closed and kept")
            self._end()

    def _obey(self, order: dict[str, Any]) -> None:
        if order["do"] == "begin" and self._take is None:
            self._take = TakeWriter(
                order["path"],
                rate_hz=self.rate_hz,
                channels=self.channels,
                bits=self.bits,
                bext=Bext(**order.get("bext", {})),
            )
            self._take_start = self._frame - self._pre_roll_bytes // self.frame_bytes
            for raw in self._pre_roll:
                self._take.append_bytes(raw)
            self._pre_roll.clear()
            self._pre_roll_bytes = 0
            self._sync(now_s())
            self.messenger.news("begun", path=order["path"], start_frame=self._take_start)
        elif order["do"] == "end":
            self._end()

    def _end(self) -> None:
        if self._take is None:
            return
        take, self._take = self._take, None
        try:
            take.close()
        except SidekeepError as error:
            self.messenger.news("failed", reason=str(error))
        self.messenger.news("ended", path=str(take.path), frames=take.frames)

    def _fail(self, reason: str) -> None:
        self.messenger.news("failed", reason=reason)
        self._end()


def record(config: dict[str, Any], orders: BinaryIO, news: BinaryIO) -> int:
    """Open the input and serve until the orders end or the device is lost."""
    messenger = Messenger(news)
    recorder = Recorder(
        messenger,
        rate_hz=config["rate_hz"],
        channels=config["channels"],
        bits=config["bits"],
        pre_roll_s=config.get("pre_roll_s", 3.0),
    )
    stopping, lost = threading.Event(), threading.Event()
    last_callback = [now_s()]

    def callback(data: Any, frames: int, when: Any, status: Any) -> None:
        last_callback[0] = now_s()
        recorder.blocks.put((bytes(data), last_callback[0], bool(status.input_overflow)))

    def finished() -> None:
        if not stopping.is_set():
            lost.set()

    try:
        import sounddevice

        stream = sounddevice.RawInputStream(
            device=config.get("device"),
            channels=config["channels"],
            dtype=f"int{config['bits']}",
            samplerate=config["rate_hz"],
            blocksize=config["rate_hz"] // 20,
            latency=0.5,
            callback=callback,
            finished_callback=finished,
        )
        stream.start()
    except Exception as error:  # every library error ends the same way: told in one line
        messenger.news("failed", reason=_device_reason(error))
        messenger.close()
        return 2
    messenger.news("started", rate_hz=config["rate_hz"], channels=config["channels"], bits=config["bits"])
    writer = threading.Thread(target=recorder.run, name="writer")
    writer.start()
    left = threading.Event()

    def listen() -> None:
        for line in orders:
            if line.strip():
                recorder.blocks.put(json.loads(line))
        left.set()

    threading.Thread(target=listen, name="orders", daemon=True).start()
    while not left.wait(0.1):
        if lost.is_set() or now_s() - last_callback[0] > SILENT_CALLBACK_S + 2.0:
            messenger.news("lost", reason="the sound input is gone: its plug, its power or the sound server")
            break
    stopping.set()
    if not lost.is_set():
        stream.abort()
        stream.close()
    recorder.blocks.put(None)
    writer.join()
    messenger.news("left")
    messenger.close()
    return 0


def _device_reason(error: Exception) -> str:
    if isinstance(error, (ImportError, OSError)):
        return (
            "recording is not available: the PortAudio library is missing "
            "(Debian, Ubuntu: apt install libportaudio2 libasound2-plugins)"
        )
    text = " ".join(str(part) for part in error.args[:1]) or type(error).__name__
    return f"the sound input cannot be opened ({text}); 'sidekeep inputs' shows what there is"


def main() -> int:
    """Entry of the child process; the first line of input is the configuration."""
    news = os.fdopen(os.dup(1), "wb")
    # What native libraries print must not get into the news.
    os.dup2(2, 1)
    config = json.loads(sys.stdin.buffer.readline())
    if Path("/proc/self/oom_score_adj").exists():
        with contextlib.suppress(OSError):
            Path("/proc/self/oom_score_adj").write_text("-500")
    return record(config, sys.stdin.buffer, news)


if __name__ == "__main__":
    sys.exit(main())
