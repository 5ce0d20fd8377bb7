"""The door to the local network: shut, unless somebody was let in or is expected."""

from __future__ import annotations

import asyncio
import contextlib
import html
import ipaddress
import socket
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qs

import uvicorn
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Scope

from sidekeep.errors import DeviceError, SidekeepError
from sidekeep.web.bodies import body_chunks
from sidekeep.web.guests import GOOD_FOR_S, Guests, WrongSecret, code_svg, cookie_header, token_of

LET_IN = "/let-me-in"
_LOOK_EVERY_S = 2.0
_FORM_POLICY = (
    "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


class Door:
    """Who may come in, and by which names this server goes. ``serve`` makes a server for a listening socket."""

    def __init__(self, port: int, make_server: Callable[[], uvicorn.Server] | None = None) -> None:
        self.port = port
        self.guests = Guests()
        self._own = frozenset(f"{name}:{port}" for name in ("127.0.0.1", "localhost"))
        self._make_server = make_server
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lan_name = ""
        self._server: uvicorn.Server | None = None
        self._tasks: list[asyncio.Task[None]] = []

    def begin(self, make_server: Callable[[], uvicorn.Server]) -> None:
        """Called in the server's loop before anything is asked."""
        self._loop = asyncio.get_running_loop()
        self._make_server = make_server

    def hosts(self) -> frozenset[str]:
        """The names this server goes by now."""
        return self._own | {self._lan_name} if self._lan_name else self._own

    def admit(self, scope: Scope) -> bool:
        """This machine always; another device only with the cookie of a guest, or to be let in."""
        if self.is_here(scope):
            return True
        if scope["type"] == "http" and scope["path"] == LET_IN:
            return True
        token = token_of(scope)
        return bool(token) and self.guests.knows(token) is not None

    def is_here(self, scope: Scope) -> bool:
        """Whether a question comes from this machine, to its own address."""
        ends = (scope.get("client"), scope.get("server"))
        return all(end is not None and _is_loopback(end[0]) for end in ends)

    def invite(self) -> dict[str, Any]:
        """Open the door for one device: the address and the code to scan. Called from any thread but the loop's."""
        assert self._loop is not None
        asyncio.run_coroutine_threadsafe(self._open(), self._loop).result(10.0)
        address = f"http://{self._lan_name}{LET_IN}?code={self.guests.new_secret()}"
        return {"url": address, "svg": code_svg(address), "expires_s": GOOD_FOR_S}

    async def _open(self) -> None:
        if self._server is not None:
            return
        bound = lan_socket(self.port)
        self._lan_name = "{}:{}".format(*bound.getsockname())
        assert self._make_server is not None
        self._server = server = self._make_server()
        bound.listen(50)
        self.guests.new_secret()  # keeps the door open until the first real one is there

        async def serve() -> None:
            await server.serve(sockets=[bound])

        async def watch() -> None:
            while self.guests.is_open():
                await asyncio.sleep(_LOOK_EVERY_S)
            await self._shut()

        self._tasks = [asyncio.create_task(serve()), asyncio.create_task(watch())]

    async def _shut(self) -> None:
        server, self._server, self._lan_name = self._server, None, ""
        if server is not None:
            server.should_exit = True

    async def close(self) -> None:
        """Shut for good."""
        await self._shut()
        for task in self._tasks:
            with contextlib.suppress(asyncio.TimeoutError, asyncio.CancelledError):
                await asyncio.wait_for(task, 5.0)

    async def answer(self, request: Request) -> Response:
        """The one page a stranger sees: a button. It takes a tap, so that no preview of the link uses the code up."""
        headers = {"Content-Security-Policy": _FORM_POLICY, "Referrer-Policy": "same-origin"}
        code = request.query_params.get("code", "")[:100]
        if request.method == "GET":
            return Response(_page(code), media_type="text/html; charset=utf-8", headers=headers)
        try:
            sent = b"".join([chunk async for chunk in body_chunks(request, 1000)])
            code = parse_qs(sent.decode("ascii", "replace")).get("code", [""])[0]
            address = request.client.host if request.client else ""
            token = self.guests.redeem(code, request.headers.get("user-agent", ""), address)
        except WrongSecret as error:
            await asyncio.sleep(1.0)
            return Response(_refused(str(error)), 403, media_type="text/html; charset=utf-8", headers=headers)
        except SidekeepError as error:
            return Response(_refused(str(error)), 400, media_type="text/html; charset=utf-8", headers=headers)
        # A page that goes on by itself, not a redirect: only then is the strict cookie sent with what follows.
        return Response(
            _come_in(),
            media_type="text/html; charset=utf-8",
            headers={**headers, "Set-Cookie": cookie_header(token)},
        )


def lan_socket(port: int) -> socket.socket:
    """A socket on this machine's address in the local network, on the same port if it is free there."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            # Nothing is sent: it only tells which address would be used. 192.0.2.0/24 is for documentation (RFC 5737).
            asking.connect(("192.0.2.1", 9))
            address = asking.getsockname()[0]
        except OSError:
            address = "127.0.0.1"
    if not ipaddress.ip_address(address).is_private or _is_loopback(address):
        raise DeviceError("no-network")
    for wanted in (port, 0):
        bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        try:
            bound.bind((address, wanted))
            return bound
        except OSError:
            bound.close()
    raise DeviceError("no-port")


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


_HEAD = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
)


def _page(code: str) -> str:
    return (
        f"{_HEAD}<title>sidekeep</title><h1>sidekeep</h1><p>Let this phone see and steer the turntable?</p>"
        f'<form method="post" action="{LET_IN}"><input type="hidden" name="code" value="{html.escape(code)}">'
        '<button type="submit">Let this phone in</button></form></html>'
    )


def _refused(text: str) -> str:
    return f"{_HEAD}<title>sidekeep</title><h1>Not let in</h1><p>{html.escape(text)}</p></html>"


def _come_in() -> str:
    return f'{_HEAD}<meta http-equiv="refresh" content="0; url=/"><title>sidekeep</title><p><a href="/">Come in</a></p></html>'
