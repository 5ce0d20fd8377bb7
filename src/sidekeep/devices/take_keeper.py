"""The writer of the capture: a ring of what came last, the open take, and what to do when a disk fails.

It lives in one thread and takes blocks and orders in the order they came. The ring makes the moment of an order
unimportant: a take begins at the frame that is named, up to ``RING_S`` back. Bytes count as safe only when the disk has
confirmed them. When a take cannot be written on, the next safe place is tried, from the last confirmed frame on, so
nothing is lost as long as the ring still has it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import shutil
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sidekeep.devices.loss_watch import Loss, LossWatch
from sidekeep.devices.messenger import Messenger
from sidekeep.errors import SidekeepError
from sidekeep.files.atomic import is_disk_full
from sidekeep.files.wave.bext import Bext
from sidekeep.files.wave.rf64 import TakeWriter

RING_S = 30.0
SYNC_EVERY_S = 2.0
SPARE_DISK_BYTES = 64 << 20
"""The take is closed, or goes on elsewhere, while this much is still free: everything can be kept and noted."""
RESERVE_BYTES = 1 << 20
"""Held by a file beside the take, so that closing has room even when somebody else filled the disk."""
_RESERVE = ".room-for-closing"
_TRY_AGAIN_S = 5.0
_EXACT_S = 0.1
"""A loss that is known as well as this has one place."""


@dataclass(frozen=True)
class Block:
    """Raw frames as the sound library gave them; ``stamp_s`` is when the first of them was captured."""

    raw: bytes
    stamp_s: float
    overflow: bool = False


def now_s() -> float:
    """A clock that never jumps back and goes on while the machine sleeps, where there is one."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


class Ring:
    """The newest frames, by their number."""

    def __init__(self, limit_frames: int, frame_bytes: int) -> None:
        self._limit, self._frame_bytes = limit_frames, frame_bytes
        self._pieces: deque[tuple[int, bytes]] = deque()
        self.stop = 0

    @property
    def start(self) -> int:
        """The oldest frame that is still held."""
        return self._pieces[0][0] if self._pieces else self.stop

    def add(self, raw: bytes) -> None:
        """Newest frames in, oldest out."""
        self._pieces.append((self.stop, raw))
        self.stop += len(raw) // self._frame_bytes
        while self._pieces and self.stop - self._pieces[0][0] > self._limit + len(raw) // self._frame_bytes:
            self._pieces.popleft()

    def since(self, frame: int) -> list[bytes]:
        """Everything from a frame on, as far as it is held."""
        found = []
        for start, raw in self._pieces:
            if start + len(raw) // self._frame_bytes > frame:
                found.append(raw[max(0, frame - start) * self._frame_bytes :])
        return found


class TakeKeeper:
    """Put blocks and orders into ``blocks``; ``run`` is the writer thread's life, until None comes."""

    def __init__(
        self, messenger: Messenger, *, rate_hz: int, channels: int, bits: int, ring_s: float = RING_S
    ) -> None:
        self.messenger = messenger
        self.rate_hz, self.channels, self.bits = rate_hz, channels, bits
        self.frame_bytes = channels * bits // 8
        self.blocks: queue.Queue[Block | dict[str, Any] | None] = queue.Queue()
        self._losses = LossWatch(rate_hz)
        self._ring = Ring(round(ring_s * rate_hz), self.frame_bytes)
        self._take: TakeWriter | None = None
        self._order: dict[str, Any] = {}
        self._take_start = 0
        self._tried_s = 0.0
        self._homeless_since: int | None = None
        self._reserve: Path | None = None

    def run(self) -> None:
        """Blocks and orders, until None."""
        while (item := self.blocks.get()) is not None:
            if isinstance(item, dict):
                self._obey(item)
            else:
                self._keep(item)
        self._end("left")

    def _keep(self, block: Block) -> None:
        if block.overflow:
            self.messenger.news("overflow", "look", self._in_take(self._ring.stop))
        frame = self._ring.stop
        self.messenger.audio(frame, block.raw)
        self._ring.add(block.raw)
        for loss in self._losses.take(frame, block.stamp_s):
            self._tell(loss)
        if self._take is not None:
            self._guard(self._write, block.raw)
        elif self._homeless_since is not None and now_s() - self._tried_s > _TRY_AGAIN_S:
            self._move(self._homeless_since)

    def _tell(self, loss: Loss) -> None:
        at = self._in_take(loss.at_frame)
        facts: dict[str, Any] = {"lost_s": round(loss.frames / self.rate_hz, 4)}
        if at < 0:  # in the take before, or in none
            facts["capture_frame"] = loss.at_frame
        if loss.steady_ppm:
            self.messenger.news("steady-loss", "act", at, ppm=round(loss.steady_ppm), **facts)
            return
        others = tuple(str(place) for frame in loss.or_at_frames if (place := self._in_take(frame)) >= 0)
        if loss.within_frames > _EXACT_S * self.rate_hz:
            facts["within_s"] = round(loss.within_frames / self.rate_hz, 1)
        if others:
            facts["or_at_frames"] = others
        self.messenger.news("loss", "act", at, lost_frames=loss.frames, sure="clock", **facts)

    def _write(self, raw: bytes) -> None:
        assert self._take is not None
        self._take.append_bytes(raw)
        if self._take.frames - self._take.synced_frames >= SYNC_EVERY_S * self.rate_hz:
            self._sync()

    def _in_take(self, frame: int) -> int:
        return frame - self._take_start if self._take is not None and frame >= self._take_start else -1

    def _sync(self) -> None:
        assert self._take is not None
        self._take.sync()
        if not self._take.is_in_place():
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(self._take.path))
        free = self._take.free_bytes()
        self.messenger.tell("synced", frames=self._take.frames, free_bytes=free)
        if free + RESERVE_BYTES < SPARE_DISK_BYTES:
            minutes = round(free / (self.frame_bytes * self.rate_hz * 60.0), 1)
            self.messenger.news("disk-low", "act", self._take.frames, free_min=minutes)
            if not self._move(self._ring.stop, why="full"):
                self._end("full")

    def _obey(self, order: dict[str, Any]) -> None:
        if order["do"] == "begin" and self._take is None:
            self._order = order
            wanted = int(order.get("from_frame", self._ring.stop))
            start = min(max(wanted, self._ring.start), self._ring.stop)
            self._homeless_since = None
            try:
                self._open(Path(order["path"]), start)
            except (SidekeepError, OSError) as error:
                self._not_written(error, order["path"])
                self._move(start)
        elif order["do"] == "lost":
            self._end("lost")
        elif order["do"] == "end":
            self._homeless_since = None
            self._end("asked")

    def _open(self, path: Path, start: int, whole: TakeWriter | None = None) -> None:
        """Begin a file with what the ring holds from ``start`` on, or with the ``whole`` of the take before; told only when it is
        on the disk."""
        writer = TakeWriter(
            path,
            rate_hz=self.rate_hz,
            channels=self.channels,
            bits=self.bits,
            bext=Bext(**self._order.get("bext", {})),
        )
        try:
            if writer.free_bytes() < SPARE_DISK_BYTES:
                raise OSError(28, os.strerror(28), str(path))
            held = start
            for raw in whole.read_back() if whole is not None else ():
                writer.append_bytes(raw)
                held = start + writer.frames
            for raw in self._ring.since(held):
                writer.append_bytes(raw)
            writer.sync()
        except (SidekeepError, OSError):
            with contextlib.suppress(SidekeepError, OSError):
                writer.close()
            if writer.synced_frames == 0:
                with contextlib.suppress(OSError):
                    path.unlink()
            raise
        self._take = writer
        self._take_start = start if whole is not None else max(start, self._ring.start)
        self._hold_reserve(path.parent)
        self.messenger.tell("begun", path=str(path), start_frame=self._take_start, frames=writer.frames)

    def _guard(self, do: Any, raw: bytes) -> None:
        """Write; when that fails, go on at the next safe place from the last frame the disk has confirmed."""
        assert self._take is not None
        take = self._take
        try:
            do(raw)
        except (SidekeepError, OSError) as error:
            self._not_written(error, str(take.path))
            self._free_reserve()
            safe = self._take_start + take.synced_frames
            is_gone = not take.is_in_place()
            if is_gone and self._move(self._take_start, why="failed", whole=take):
                return
            if not self._move(safe, why="failed"):
                self._end("full" if is_disk_full(error) else "failed")
                self._homeless_since = safe

    def _move(self, start: int, why: str = "", whole: TakeWriter | None = None) -> bool:
        """The next safe place; the take before is closed as far as that goes. ``whole``: it is brought there, all of it."""
        self._tried_s = now_s()
        tried = {str(Path(self._order.get("path", "")).parent)}
        before, self._take = self._take, None
        here = before.path.parent if before is not None else None
        start_before = self._take_start
        for place in self._order.get("places", ()):
            folder = Path(place)
            was_there = folder.exists()
            if whole is not None and self._is_on_lost_shelf(folder):
                continue
            path = _free_name(folder, Path(self._order["path"]))
            try:
                folder.mkdir(parents=True, exist_ok=True)
                if why == "full" and shutil.disk_usage(folder).free < 4 * SPARE_DISK_BYTES:
                    raise OSError(28, os.strerror(28), str(folder))
                if str(folder) in tried or folder == here:
                    continue
                path.parent.mkdir(parents=True)
                closing, self._reserve = self._reserve, None
                self._open(path, start, whole)
            except (SidekeepError, OSError):
                _leave_no_empty(path.parent, None if was_there else folder)
                continue
            if closing is not None:
                with contextlib.suppress(OSError):
                    closing.unlink()
            if before is not None:
                with contextlib.suppress(SidekeepError, OSError):
                    before.close()
                self.messenger.tell("parted", path=str(before.path), frames=before.synced_frames)
            self._homeless_since = None
            self.messenger.news("next-place", "act", -1, place=str(path.parent))
            return True
        self._take, self._take_start = before, start_before
        if before is None:
            self._homeless_since = max(start, self._ring.start)
        return False

    def _is_on_lost_shelf(self, place: Path) -> bool:
        """Whether a place is on the shelf of a record that is there no more: where its disk was, there is another now."""
        record = Path(self._order["path"]).parents[2:3]
        return any(place.parent in each.parents and not each.is_dir() for each in record)

    def _not_written(self, error: Exception, path: str) -> None:
        self.messenger.news("not-written", "act", -1, place=str(path), reason=str(error))

    def _end(self, why: str) -> None:
        if self._take is None:
            if why == "asked":
                self.messenger.tell("ended", path=str(self._order.get("path", "")), frames=0, why="")
            return
        self._free_reserve()
        take, self._take = self._take, None
        try:
            take.close()
        except (SidekeepError, OSError) as error:
            self._not_written(error, str(take.path))
        path = take.path_now()
        self.messenger.tell("ended", path=str(path), frames=take.synced_frames, why=_ENDS.get(why, ""))

    def _hold_reserve(self, folder: Path) -> None:
        reserve = folder / _RESERVE
        try:
            with reserve.open("wb") as file:
                if hasattr(os, "posix_fallocate"):
                    os.posix_fallocate(file.fileno(), 0, RESERVE_BYTES)
                else:
                    file.write(bytes(RESERVE_BYTES))
            self._reserve = reserve
        except OSError:
            with contextlib.suppress(OSError):
                reserve.unlink()

    def _free_reserve(self) -> None:
        reserve, self._reserve = self._reserve, None
        folder = self._take.path_now().parent if self._take is not None else None
        for path in {reserve, folder / _RESERVE if folder is not None else None}:
            if path is not None:
                with contextlib.suppress(OSError):
                    path.unlink()


_ENDS = {"full": "full", "failed": "lost", "lost": "lost"}
"""What an end means to the session, where it was not asked for."""


def forget_reserve(folder: Path) -> None:
    """Take away what a capture that was killed still held for closing the take in this folder."""
    with contextlib.suppress(OSError):
        (folder / _RESERVE).unlink(missing_ok=True)


def _leave_no_empty(*folders: Path | None) -> None:
    """Take away folders that were made for a take and took none."""
    for folder in folders:
        if folder is not None:
            with contextlib.suppress(OSError):
                folder.rmdir()


def _free_name(folder: Path, wanted: Path) -> Path:
    """``folder/A-1/take.wav``, or the next number that is free."""
    side, _, number = wanted.parent.name.rpartition("-")
    count = int(number) if number.isdigit() else 1
    while (folder / f"{side}-{count}").exists():
        count += 1
    return folder / f"{side}-{count}" / wanted.name
