"""A slow page on purpose: what a loaded machine does to a page now and then, done to every page of a run.

``SIDEKEEP_SLOW_PAGE=7`` before pytest, any whole number as the seed, and each answer of the server (modules, pictures and what a
test answers in its place, too) is up to 0.8 s late: part of that before the server hears the question, the rest before the page hears
the answer, so that questions and answers overtake each other. News come late too, in their order, and the processor is four times
slower. No test may fail of it: what does is a fault of the page, or of the test.
"""

from __future__ import annotations

import asyncio
import os
import random
from collections.abc import Awaitable, Callable, MutableMapping
from contextlib import suppress
from typing import Any

Message = MutableMapping[str, Any]

SWITCH = "SIDEKEEP_SLOW_PAGE"
LATEST_S = 0.8
PROCESSOR = 4
NEWS_LATEST_S = 0.3


def seed() -> int | None:
    """The seed of a slow run; None in every other."""
    word = os.environ.get(SWITCH, "")
    return int(word) if word else None


class Late:
    """A server's application whose answers to browsers are late; what a test asks itself is answered at once."""

    def __init__(self, app: Any, seed: int) -> None:
        self._app = app
        self._random = random.Random(seed)

    async def __call__(
        self,
        scope: Message,
        receive: Callable[[], Awaitable[Message]],
        send: Callable[[Message], Awaitable[None]],
    ) -> None:
        """One question, answered late."""
        is_browser = any(name == b"user-agent" for name, _ in scope.get("headers", ()))
        if not is_browser:
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._news(scope, receive, send)
        else:
            late_s = self._random.uniform(0.0, LATEST_S)
            before_s = self._random.uniform(0.0, late_s)
            await asyncio.sleep(before_s)

            async def answer(message: Message) -> None:
                if message["type"] == "http.response.start":
                    await asyncio.sleep(late_s - before_s)
                await send(message)

            await self._app(scope, receive, answer)

    async def _news(
        self,
        scope: Message,
        receive: Callable[[], Awaitable[Message]],
        send: Callable[[Message], Awaitable[None]],
    ) -> None:
        """Each piece of news comes at its own late moment, but none before the one ahead of it; as many as ever in a second."""
        loop = asyncio.get_running_loop()
        underway: asyncio.Queue[tuple[float, Message]] = asyncio.Queue()
        due = 0.0

        async def carry() -> None:
            while True:
                when, message = await underway.get()
                await asyncio.sleep(max(0.0, when - loop.time()))
                try:
                    await send(message)
                except (RuntimeError, OSError):
                    return  # the page has gone

        async def put(message: Message) -> None:
            nonlocal due
            due = max(due, loop.time() + self._random.uniform(0.0, NEWS_LATEST_S))
            await underway.put((due, message))

        carrying = asyncio.create_task(carry())
        try:
            await asyncio.sleep(self._random.uniform(0.0, LATEST_S))
            await self._app(scope, receive, put)
            while not underway.empty():
                await asyncio.sleep(0.01)
        finally:
            carrying.cancel()


def made_late(app: Any) -> Any:
    """The application as a slow run asks for it; itself in every other."""
    now = seed()
    return app if now is None else Late(app, now)


def slow_down(page: Any, seed: int, *, by_network: bool) -> None:
    """The page's processor, and the answers that a test gives it. ``by_network`` for a server that runs elsewhere: all it answers is late by as much."""
    from playwright.sync_api import Error

    chance = random.Random(seed)
    debugger = page.context.new_cdp_session(page)
    debugger.send("Emulation.setCPUThrottlingRate", {"rate": PROCESSOR})
    if by_network:
        debugger.send("Network.enable")
        debugger.send(
            "Network.emulateNetworkConditions",
            {
                "offline": False,
                "latency": 1000 * LATEST_S / 2,
                "downloadThroughput": -1,
                "uploadThroughput": -1,
            },
        )
    plain = page.route

    def route(url: Any, handler: Callable[[Any], Any], **options: Any) -> None:
        def late(asked: Any) -> None:
            with suppress(Error):  # the page has gone meanwhile
                page.wait_for_timeout(1000 * chance.uniform(0.0, LATEST_S / 2))
                handler(asked)

        plain(url, late, **options)

    page.route = route
