"""The survey behind the needle: ``python -m sidekeep.service.live.process``, at low priority.

Orders come as JSON lines on standard input::

    {"do": "begin", "path": "...", "record": "...", "side": "A"}    a take is being recorded
    {"do": "ended", "path": "..."}                                  the capture has closed it
    {"do": "closed", "path": "...", "sha256": "...", "place": "...", "side": "A"}
                                                                    its facts are on the shelf, in this folder, as this side
    {"do": "dropped", "path": "..."}                                it is not wanted
    (end of input)                                                  leave: the parent is gone

News goes to standard output as JSON lines: ``{"code", "at_frame", "facts", "path"}``. The take is only read. What goes wrong
here is told in one line (``live-given-up``) and ends this take's survey, nothing else.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import sys
import threading
import traceback
from collections.abc import Iterable
from pathlib import Path
from typing import Any, BinaryIO

NICE = 15
POLL_S = 0.25
LAST = 2
"""Sides of an evening that are kept in mind: a record has two that can be mistaken for each other."""


class FollowedTakes:
    """The takes under way: one that grows, and those that wait for their checksum."""

    def __init__(self, out: BinaryIO, orders: queue.Queue[dict[str, Any] | None]) -> None:
        self._out, self._orders = out, orders
        self._growing: Any = None
        self._waiting: dict[str, Any] = {}
        self._kept: dict[str, Any] = {}

    def run(self) -> None:
        """Until the orders end."""
        while True:
            busy = self._growing is not None and self._advance()
            try:
                order = self._orders.get(block=not busy, timeout=POLL_S if self._growing else None)
            except queue.Empty:
                continue
            if order is None:
                break
            self._obey(order)
        for take in [self._growing, *self._waiting.values()]:
            if take is not None:
                take.abandon()

    def _advance(self) -> bool:
        try:
            events = self._growing.advance()
        except Exception as error:  # whatever it is, it must stay here
            self._give_up(self._growing, error)
            self._growing = None
            return False
        for event in events or ():
            self._tell(event, self._growing.path)
        return events is not None

    def _obey(self, order: dict[str, Any]) -> None:
        path = order["path"]
        try:
            if order["do"] == "begin":
                self._begin(order)
            elif order["do"] == "ended" and self._is_growing(path):
                take, self._growing = self._growing, None
                self._waiting[path] = take
                for event in take.conclude():
                    self._tell(event, take.path)
            elif order["do"] == "closed":
                self._keep(path, order)
            elif order["do"] == "dropped":
                self._drop(path)
        except Exception as error:  # whatever it is, it must stay here
            self._give_up(self._waiting.pop(path, None), error, path)

    def _keep(self, path: str, order: dict[str, Any]) -> None:
        """A side is kept; the last ones stay at hand, they may turn out to be other sides."""
        take = self._waiting.get(path) or self._kept.get(path)
        if take is None:
            return
        for event in take.keep(order["sha256"], Path(order["place"]), order["side"]):
            self._tell(event, Path(path))
        self._waiting.pop(path, None)
        self._kept[path] = take
        while len(self._kept) > LAST:
            del self._kept[next(iter(self._kept))]

    def _begin(self, order: dict[str, Any]) -> None:
        from sidekeep.service.live.followed_take import FollowedTake
        from sidekeep.shelf.record_folder import RecordFolder

        if self._growing is not None:
            self._drop(str(self._growing.path))
        self._growing = FollowedTake(Path(order["path"]), RecordFolder(Path(order["record"])), order["side"])
        self._tell(self._growing.begun(), self._growing.path)

    def _is_growing(self, path: str) -> bool:
        return self._growing is not None and str(self._growing.path) == path

    def _drop(self, path: str) -> None:
        take = self._growing if self._is_growing(path) else self._waiting.pop(path, None)
        if take is self._growing:
            self._growing = None
        if take is not None:
            take.abandon()

    def _give_up(self, take: Any, error: Exception, path: str = "") -> None:
        from sidekeep.flow.live.news import LiveEvent

        if take is not None:
            with contextlib.suppress(Exception):
                take.abandon()
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        facts = {"reason": "trouble", "text": reason}
        self._tell(
            LiveEvent(code="live-given-up", at_frame=0, facts=facts),
            Path(path) if take is None else take.path,
        )
        if os.environ.get("SIDEKEEP_DEBUG"):
            traceback.print_exc()

    def _tell(self, event: Any, path: Path) -> None:
        line = {"code": event.code, "at_frame": event.at_frame, "facts": dict(event.facts), "path": str(path)}
        try:
            self._out.write(json.dumps(line).encode() + b"\n")
            self._out.flush()
        except OSError:
            self._orders.put(None)  # nobody listens any more


def warm_up() -> None:
    """Bring in what a survey needs, so that the first block finds it there."""
    import numpy as np

    from sidekeep.flow.passes.survey import BLOCK_FRAMES, SurveyRun
    from sidekeep.model.audio import AudioFormat
    from sidekeep.model.recipe import MendSettings
    from sidekeep.service.live import followed_take

    assert followed_take.FollowedTake is not None
    noise = np.random.default_rng(1).normal(0.0, 1e-3, (4 * BLOCK_FRAMES, 2))
    form = AudioFormat(rate_hz=48_000, channels=2, bits=24)
    run = SurveyRun(form, mend=MendSettings())
    run.process(noise)
    run.abandon()


def main(lines: Iterable[bytes] | None = None) -> int:
    """Entry of the child process."""
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(NICE)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what native libraries print must not get into the news
    orders: queue.Queue[dict[str, Any] | None] = queue.Queue()

    def listen() -> None:
        for line in lines if lines is not None else sys.stdin.buffer:
            if line.strip():
                orders.put(json.loads(line))
        orders.put(None)

    threading.Thread(target=listen, name="orders", daemon=True).start()
    warm_up()
    FollowedTakes(out, orders).run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
