"""``/api/events``: the stream of news as a websocket.

First comes ``hello`` with the state, or, with ``?after=N``, what came after number N. Readings (meter, live picture) are
sent at most 30 times a second, the newest only. A watcher that falls behind gets a new ``hello``.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from starlette.concurrency import run_in_threadpool
from starlette.types import Scope
from starlette.websockets import WebSocket, WebSocketDisconnect

from sidekeep.service.house.house import House
from sidekeep.web.answers import to_json

SHORTEST_S = 1.0 / 30.0
ALIVE_S = 15.0
MOST_SOCKETS = 32


class Events:
    """Keeps count of the open sockets."""

    def __init__(self, house: House, admit: Callable[[Scope], bool]) -> None:
        self._house = house
        self._admit = admit
        self._open = 0

    async def answer(self, socket: WebSocket) -> None:
        if self._open >= MOST_SOCKETS:
            await socket.close(4429, "too many pages are open")
            return
        self._open += 1
        try:
            await socket.accept()
            await self._serve(socket)
        finally:
            self._open -= 1

    async def _serve(self, socket: WebSocket) -> None:
        loop = asyncio.get_running_loop()
        woken = asyncio.Event()

        def wake() -> None:
            with contextlib.suppress(RuntimeError):  # the loop may be closing
                loop.call_soon_threadsafe(woken.set)

        given = socket.query_params.get("after", "")
        after = int(given) if given.isdigit() and len(given) < 16 else None
        watcher, missed, is_forgotten = self._house.news.watch(wake, after)
        listening = asyncio.create_task(_until_closed(socket))
        try:
            if after is None or is_forgotten:
                await self._hello(socket)
            for event in missed:
                await _send(socket, event)
            while not listening.done():
                waiting = asyncio.create_task(woken.wait())
                if not self._admit(socket.scope):  # thrown out in the meantime
                    waiting.cancel()
                    break
                await asyncio.wait({waiting, listening}, timeout=ALIVE_S, return_when=asyncio.FIRST_COMPLETED)
                if not waiting.done():
                    waiting.cancel()
                    if not listening.done():
                        await _send(socket, {"kind": "alive", "seq": self._house.news.last_number})
                    continue
                if not self._admit(socket.scope):
                    break
                woken.clear()
                events, was_behind = watcher.take()
                if was_behind:
                    await self._hello(socket)
                for event in events:
                    await _send(socket, event)
                await asyncio.sleep(SHORTEST_S)
        except (WebSocketDisconnect, RuntimeError, OSError):
            pass
        finally:
            watcher.close()
            listening.cancel()
            with contextlib.suppress(asyncio.CancelledError, WebSocketDisconnect, RuntimeError):
                await listening
            with contextlib.suppress(WebSocketDisconnect, RuntimeError, OSError):
                await socket.close()

    async def _hello(self, socket: WebSocket) -> None:
        state = await run_in_threadpool(self._house.state)
        await _send(socket, {"kind": "hello", "seq": state["seq"], "state": state})


async def _send(socket: WebSocket, event: dict[str, object]) -> None:
    # A reader that does not read for this long is let go; its page comes back by itself.
    await asyncio.wait_for(socket.send_text(to_json(event).decode("utf-8")), 10.0)


async def _until_closed(socket: WebSocket) -> None:
    """Whatever the page says is passed over: it asks by HTTP."""
    while (await socket.receive())["type"] != "websocket.disconnect":
        await asyncio.sleep(0.05)
