"""Whether we still hear the input that was chosen, all through an evening.

When a source goes away, a sound server hands its listeners to another source without a word: the turntable becomes the
microphone of the room. The server is asked every few seconds, and at once when it tells of a change.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import threading
from collections.abc import Callable, Sequence

from sidekeep.devices.sound_server import server_sources, source_notes, source_of_process
from sidekeep.model.news import News

_EVERY_S = 5.0


class IdentityWatch:
    """Calls ``moved(name)`` once when the stream of this process is on another source than ``source``, and ``tell(news)``
    when mute or volume of the source change; ``told`` are codes of what was said of it before the input was opened."""

    def __init__(
        self,
        source: str,
        *,
        moved: Callable[[str], None],
        tell: Callable[[News], None],
        told: Sequence[str] = (),
    ) -> None:
        self._source, self._moved, self._tell = source, moved, tell
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._told = set(told)
        self._notes: tuple[News, ...] = ()
        self._subscription: subprocess.Popen[str] | None = None
        threading.Thread(target=self._listen, name="server-news", daemon=True).start()
        threading.Thread(target=self._run, name="identity", daemon=True).start()

    def stop(self) -> None:
        """No more calls."""
        self._stop.set()
        self._wake.set()
        if self._subscription is not None:
            with contextlib.suppress(OSError):
                self._subscription.kill()

    def _listen(self) -> None:
        if shutil.which("pactl") is None:
            return
        while not self._stop.is_set():
            with contextlib.suppress(OSError, ValueError):
                self._subscription = subprocess.Popen(
                    ["pactl", "subscribe"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
                )
                assert self._subscription.stdout is not None
                for line in self._subscription.stdout:
                    if "source" in line or "server" in line:
                        self._wake.set()
                self._subscription.wait()
            self._stop.wait(2.0)

    def _run(self) -> None:
        while not self._stop.is_set():
            self._wake.wait(_EVERY_S)
            self._wake.clear()
            if self._stop.is_set():
                return
            now = source_of_process(os.getpid())
            if now and now != self._source:
                self._moved(now)
                return
            self._look_at_source()

    def _look_at_source(self) -> None:
        source = next((each for each in server_sources() or () if each.get("name") == self._source), None)
        if source is None:
            return
        notes = source_notes(source)
        for note in notes:
            if note not in self._notes and note.code not in self._told:
                self._tell(note)
        self._told = set()
        self._notes = notes
