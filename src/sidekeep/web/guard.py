"""Who may ask, and what every answer says to the browser.

Every request and every websocket must name this server as its ``Host`` (a name that was made to point here does not:
DNS rebinding) and, where a browser says which page is asking (``Origin``, ``Sec-Fetch-Site``), that page must be ours. There
is no CORS: no answer ever lets another page read it. The policy forbids inline script, eval, frames and every
address but this one.
"""

from __future__ import annotations

from collections.abc import Callable, MutableMapping
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sidekeep.errors import SidekeepError
from sidekeep.web.answers import answer_to

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self' {sockets}; media-src 'self' blob:; font-src 'self'; manifest-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; media-src data:; font-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox"
)
_HEADERS = {
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"no-referrer",
    b"x-frame-options": b"DENY",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"camera=(), microphone=(), geolocation=(), usb=(), midi=()",
}


class Guard:
    """Stands before the whole application. ``hosts`` gives the names this server goes by, such as
    ``127.0.0.1:7833``; ``admit`` says whether a client that is not on this machine was let in."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: Callable[[], frozenset[str]],
        admit: Callable[[Scope], bool],
    ) -> None:
        self._app = app
        self._hosts = hosts
        self._admit = admit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is None:
            await self._app(scope, receive, self._dressed(scope, send))
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 4403, "reason": refusal[1].code})
        else:
            status, error = refusal
            await answer_to(error, status)(scope, receive, self._dressed(scope, send))

    def _refusal(self, scope: Scope) -> tuple[int, SidekeepError] | None:
        named = [value for name, value in scope["headers"] if name == b"host"]
        hosts = self._hosts()
        if len(named) != 1 or named[0].decode("latin-1").lower() not in hosts:
            return 421, SidekeepError("wrong-host")
        origins = [value.decode("latin-1").lower() for name, value in scope["headers"] if name == b"origin"]
        if any(origin not in {f"http://{host}" for host in hosts} for origin in origins):
            return 403, SidekeepError("wrong-origin")
        if scope["type"] == "websocket" and not origins:
            return 403, SidekeepError("no-origin")
        is_api = scope["path"].startswith("/api/")
        sites = [value for name, value in scope["headers"] if name == b"sec-fetch-site"]
        if is_api and any(site not in (b"same-origin", b"none") for site in sites):
            return 403, SidekeepError("wrong-origin")
        if not self._admit(scope):
            return 401, SidekeepError("not-let-in")
        return None

    def _dressed(self, scope: Scope, send: Send) -> Send:
        host = next((value for name, value in scope["headers"] if name == b"host"), b"").decode("latin-1")
        policy = PAGE_POLICY.format(sockets=f"ws://{host}" if host in self._hosts() else "")

        async def dressed(message: MutableMapping[str, Any] | Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", []))
                given = {name for name, _ in headers}
                headers += [(name, value) for name, value in _HEADERS.items() if name not in given]
                if b"content-security-policy" not in given:
                    headers.append((b"content-security-policy", policy.encode("latin-1")))
                if b"cache-control" not in given:
                    headers.append((b"cache-control", b"no-store"))
                message = {**message, "headers": headers}
            await send(message)

        return dressed
