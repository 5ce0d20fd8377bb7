"""Who else is let in: a phone in the same network."""

from __future__ import annotations

from typing import Any

from sidekeep.web.asking import Ask, Endpoint, only_here


def invite(ask: Ask) -> Any:
    only_here(ask)
    return ask.door.invite()


def guests(ask: Ask) -> Any:
    return {"guests": ask.door.guests.views()}


def throw_out(ask: Ask) -> Any:
    only_here(ask)
    ask.door.guests.throw_out(ask.part("guest"))
    return {"guests": ask.door.guests.views()}


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="POST", path="/api/guests", handler=invite),
    Endpoint(method="GET", path="/api/guests", handler=guests),
    Endpoint(method="DELETE", path="/api/guests/{guest}", handler=throw_out),
]
