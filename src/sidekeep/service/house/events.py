"""One stream of news for everybody who watches: numbered, bounded, never waiting for a slow watcher.

Two sorts. *News* (``publish``) is numbered from 1 and the last ``KEPT`` pieces are remembered, so that a watcher who was
away can ask for what came after the number it saw last. *Readings* (``show``) - a level, the growing picture - are
worth something only now: each watcher holds the newest of every kind and no number.
"""

from __future__ import annotations

import itertools
import threading
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

KEPT = 1000
WAITING_MOST = 500
"""Pieces of news a watcher may lie behind before it is told to read everything anew."""

Event = dict[str, Any]


class Watcher:
    """One who reads the stream. ``wake`` is called, from any thread, when there is something to take."""

    def __init__(self, hub: EventHub, wake: Callable[[], None]) -> None:
        self._hub = hub
        self._wake = wake
        self._news: deque[Event] = deque()
        self._readings: dict[str, Event] = {}
        self._is_behind = False
        self._lock = threading.Lock()

    def _give(self, event: Event) -> None:
        with self._lock:
            if len(self._news) >= WAITING_MOST:
                self._news.clear()
                self._is_behind = True
            elif not self._is_behind:
                self._news.append(event)
            self._readings.pop(event["kind"], None)  # older than this news
        self._wake()

    def _show(self, event: Event) -> None:
        with self._lock:
            self._readings[event["kind"]] = event
        self._wake()

    def take(self) -> tuple[list[Event], bool]:
        """Everything waiting, and whether news was lost so that the state must be read anew."""
        with self._lock:
            events = [*self._news, *self._readings.values()]
            self._news.clear()
            self._readings.clear()
            was_behind, self._is_behind = self._is_behind, False
        return events, was_behind

    def close(self) -> None:
        """No more news for this one."""
        self._hub._forget(self)


class EventHub:
    """Where news is told and read. Safe for any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._numbers = itertools.count(1)
        self._kept: deque[Event] = deque(maxlen=KEPT)
        self._watchers: set[Watcher] = set()
        self.last_number = 0

    def publish(self, kind: str, facts: Mapping[str, Any] | None = None) -> int:
        """Tell everybody; returns the number of this piece of news."""
        with self._lock:
            self.last_number = next(self._numbers)
            event = {"seq": self.last_number, "kind": kind, **(facts or {})}
            self._kept.append(event)
            for watcher in self._watchers:
                watcher._give(event)
            return self.last_number

    def show(self, kind: str, facts: Mapping[str, Any]) -> None:
        """A reading that the next one of its kind replaces."""
        with self._lock:
            for watcher in self._watchers:
                watcher._show({"kind": kind, **facts})

    def watch(self, wake: Callable[[], None], after: int | None = None) -> tuple[Watcher, list[Event], bool]:
        """A new watcher, the news it missed since number ``after``, and whether some of that is forgotten."""
        watcher = Watcher(self, wake)
        with self._lock:
            self._watchers.add(watcher)
            if after is None or after == self.last_number:
                return watcher, [], False
            oldest = self._kept[0]["seq"] if self._kept else self.last_number + 1
            if after > self.last_number or after < oldest - 1:
                return watcher, [], True
            return watcher, [event for event in self._kept if event["seq"] > after], False

    def _forget(self, watcher: Watcher) -> None:
        with self._lock:
            self._watchers.discard(watcher)
