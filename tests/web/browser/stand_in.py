"""What a page is told instead of what a turntable would do: its input, and an evening that never ends."""

from __future__ import annotations

import json
from typing import Any

from tests.web.conftest import RunningServer

INPUT = {
    "id": "deck",
    "name": "Deck",
    "channels": 2,
    "rate_hz": 96_000,
    "bits": 24,
    "chosen": True,
    "notes": [],
}


def with_input(page: Any) -> None:
    """An input was chosen, as it seems to the page."""
    page.route("**/api/inputs", lambda route: route.fulfill(json={"inputs": [INPUT], "settings": {}}))


def session_of(record: str, **facts: Any) -> dict[str, Any]:
    """A session as ``POST /api/session`` answers it."""
    return {
        "record": record,
        "sides": ["A", "B"],
        "phase": "armed",
        "side": "A",
        "take": "",
        "elapsed_frames": 0,
        "safe_frames": 0,
        "rate_hz": 96_000,
        "input_open": True,
        "taken": [],
        "news": [],
        "then": {"copies": []},
        **facts,
    }


class Evening:
    """The news of one page come from here; ``tell`` sends some."""

    def __init__(self, page: Any, server: RunningServer, **state: Any) -> None:
        """``state`` is what is otherwise than the server says."""
        self._server, self._state = server, state
        self._sockets: list[Any] = []
        self._is_lost = False
        page.route_web_socket("**/api/events", self._greet)

    def tell(self, event: dict[str, Any]) -> None:
        """To every socket the page has open."""
        for socket in self._sockets:
            socket.send(json.dumps(event))

    def lose(self) -> None:
        """Nothing is heard any more, however often the page calls."""
        self._is_lost = True
        for socket in self._sockets:
            socket.close()

    def come_back(self) -> None:
        """The next call is answered."""
        self._sockets.clear()
        self._is_lost = False

    def _greet(self, socket: Any) -> None:
        if self._is_lost:
            socket.close()
            return
        self._sockets.append(socket)
        state = {**self._server.get("/api/state"), **self._state}
        socket.send(json.dumps({"kind": "hello", "seq": 0, "state": state}))
