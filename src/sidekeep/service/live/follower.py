"""The session's end of the survey behind the needle.

``LiveSurvey`` starts the process, tells it what the session does and keeps what it says. Nothing here raises or waits for the
process, and nothing it says reaches the recording: when it is gone, a piece of news says so and the survey is made later.
"""

from __future__ import annotations

import contextlib
import json
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sidekeep.service.live.ending import end_process
from sidekeep.shelf.shelf_take import ShelfTake


@dataclass
class LiveState:
    """All that was told of the take under way, for who comes late: the same objects, long lists put together."""

    last: dict[str, dict[str, Any]] = field(default_factory=dict)
    turns: list[list[float]] = field(default_factory=list)
    repairs: list[list[Any]] = field(default_factory=list)
    boundaries: dict[int, dict[str, Any]] = field(default_factory=dict)

    def add(self, event: dict[str, Any]) -> None:
        """One more event of the take."""
        code, facts = event["code"], event["facts"]
        if code == "live-turns":
            self.turns[facts["first_turn"] :] = facts["levels_db"]
            event = {**event, "facts": {**facts, "first_turn": 0, "start_frame": 0, "levels_db": self.turns}}
        elif code == "live-damage":
            self.repairs += facts["repairs"]
            event = {**event, "facts": {**facts, "repairs": self.repairs}}
        elif code == "live-boundary":
            self.boundaries[facts["id"]] = event
            return
        self.last[code] = event

    def events(self) -> list[dict[str, Any]]:
        """Everything, as events that can be drawn at once; what was withdrawn is left out."""
        seen = [each for each in self.boundaries.values() if each["facts"]["state"] != "withdrawn"]
        return [*self.last.values(), *seen]


class LiveSurvey:
    """A ``Follower`` that has the side surveyed while it plays. ``state`` may be read from any thread."""

    def __init__(self) -> None:
        self._news: queue.Queue[dict[str, Any]] = queue.Queue()
        self._takes: dict[str, tuple[str, str]] = {}
        self._unsettled: dict[str, subprocess.Popen[bytes] | None] = {}
        self._sums: dict[str, str] = {}
        self._state = LiveState()
        self._growing = ""
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._reader: threading.Thread | None = None
        self._start()

    @property
    def process_id(self) -> int | None:
        """Of the surveying process, None when there is none."""
        return self._process.pid if self._process is not None and self._process.poll() is None else None

    def begun(self, path: Path, take_folder: Path, side: str) -> None:
        """Follow a take; a process that died with an earlier one is started anew."""
        if self.process_id is None:
            self._start()
        with self._lock:
            self._state = LiveState()
            self._growing = str(path)
        self._takes[str(path)] = (side, f"{take_folder.parent.name}/{take_folder.name}")
        self._unsettled[str(path)] = self._process
        self._order(do="begin", path=str(path), record=str(take_folder.parent.parent), side=side)

    def ended(self, path: Path) -> None:
        """The file is closed: the rest is surveyed while the checksum is taken."""
        self._order(do="ended", path=str(path))

    def closed(self, take: ShelfTake) -> None:
        """The survey goes onto the shelf beside the take; again when it has become another side."""
        path = self._path_of(take)
        if path is not None:
            sha256, place = take.files[0].sha256, Path(path).parents[2] / take.folder
            self._sums[sha256] = path
            self._takes[path] = (take.side, take.folder)
            if self.process_id is not None:
                self._unsettled.setdefault(path, self._process)
            self._order(do="closed", path=path, sha256=sha256, place=str(place), side=take.side)
        for gone in [each for each in list(self._unsettled) if each != path and not Path(each).exists()]:
            if gone not in self._sums.values():
                self.dropped(Path(gone))

    def _path_of(self, take: ShelfTake) -> str | None:
        """The path under which a take was begun: it may have another name by now."""
        if (known := self._sums.get(take.files[0].sha256)) is not None:
            return known
        for path, (_, name) in self._takes.items():
            if name == take.folder and path not in self._sums.values():
                return path
        renamed = [path for path in self._unsettled if not Path(path).exists()]
        return renamed[0] if len(renamed) == 1 else None

    def dropped(self, path: Path) -> None:
        """Nothing is kept."""
        self._unsettled.pop(str(path), None)
        self._order(do="dropped", path=str(path))

    def poll(self) -> list[Mapping[str, Any]]:
        """News since the last poll."""
        found: list[Mapping[str, Any]] = []
        with contextlib.suppress(queue.Empty):
            while True:
                found.append(self._news.get_nowait())
        return found

    def state(self) -> list[dict[str, Any]]:
        """Everything told of the take under way, for who comes late."""
        with self._lock:
            return self._state.events()

    @property
    def is_settled(self) -> bool:
        """Whether no take waits for its survey."""
        return not self._unsettled

    def settle(self, wait_s: float) -> bool:
        """Wait until every closed take is surveyed or given up, ``wait_s`` at most; whether they are. What was told of them by
        then is there to be polled."""
        until_s = time.monotonic() + wait_s
        while self._unsettled and self._is_heard and time.monotonic() < until_s:
            time.sleep(0.05)
        return not self._unsettled

    @property
    def _is_heard(self) -> bool:
        """Whether something may still be told: of a process that died, too, its end is."""
        return self._reader is not None and self._reader.is_alive()

    def close(self) -> None:
        """End the process; what it had not finished is surveyed when it is needed."""
        process = self._process
        if process is None:
            return
        end_process(process, 2.0)
        if self._reader is not None:
            self._reader.join(timeout=2.0)

    def _start(self) -> None:
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "sidekeep.service.live.process"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl+C at the terminal is for the person's program
            )
        except OSError:
            self._process = None
            return
        self._reader = threading.Thread(
            target=self._read, args=(self._process,), name="live-news", daemon=True
        )
        self._reader.start()

    def _order(self, **order: str) -> None:
        process = self._process
        if process is None or process.stdin is None:
            return
        # A pipe holds far more than the few lines of an evening: this does not wait.
        with contextlib.suppress(OSError, ValueError):
            process.stdin.write(json.dumps(order).encode() + b"\n")
            process.stdin.flush()

    def _read(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        with process.stdout as lines, contextlib.suppress(OSError, ValueError):
            for line in lines:
                self._hear(json.loads(line))
        process.wait()
        with contextlib.suppress(OSError):
            assert process.stdin is not None
            process.stdin.close()
        for path in [path for path, its in list(self._unsettled.items()) if its is process]:
            self._hear({"code": "live-given-up", "at_frame": 0, "facts": {"reason": "died"}, "path": path})

    def _hear(self, event: dict[str, Any]) -> None:
        path = event.pop("path")
        side, take = self._takes.get(path, ("", ""))
        event = {"code": event["code"], "side": side, "take": take, **event}
        with self._lock:
            if path == self._growing:
                self._state.add(event)
        self._news.put(event)
        if event["code"] in ("live-settled", "live-given-up"):
            self._unsettled.pop(path, None)  # last: who waited for it finds all that was told
