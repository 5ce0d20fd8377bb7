"""The shelf as a whole: what is on it, in its bin and in tonight's pile, its styluses, what needs looking after."""

from __future__ import annotations

from typing import Any

from sidekeep.service.choices.kinds import kinds_of_copies
from sidekeep.service.house.styluses import keep_stylus, stylus_views
from sidekeep.service.house.upkeep import due_views
from sidekeep.web.asking import Ask, Endpoint, only_here
from sidekeep.web.endpoints.sent import PileSent, StylusFacts


def state(ask: Ask) -> Any:
    return ask.house.state()


def records(ask: Ask) -> Any:
    seq = (
        ask.house.news.last_number
    )  # before a folder is read: what is told from now on may not be in the answer
    return {"records": ask.house.records(ask.word("words")[:500], ask.word("state")), "seq": seq}


def bin_content(ask: Ask) -> Any:
    return {"records": ask.house.bin()}


def empty_bin(ask: Ask) -> Any:
    only_here(ask)
    return {"removed": ask.house.empty_bin()}


def due(ask: Ask) -> Any:
    return {"sides": due_views(ask.house.shelf, ask.decimal("months", 12.0))}


def interrupted(ask: Ask) -> Any:
    return {"takes": ask.house.interrupted()}


def close_interrupted(ask: Ask) -> Any:
    return ask.house.close_interrupted()


def index_again(ask: Ask) -> Any:
    return {"records": ask.house.index_again()}


def kinds(ask: Ask) -> Any:
    return {"kinds": [{"name": name, "purpose": purpose} for name, purpose in kinds_of_copies()]}


def styluses(ask: Ask) -> Any:
    return {"styluses": stylus_views(ask.house.shelf)}


def keep_stylus_sent(ask: Ask) -> Any:
    wanted = ask.body
    keep_stylus(
        ask.house.shelf, wanted.name, hours_before=wanted.hours_before, remind_at_h=wanted.remind_at_h
    )
    return {"styluses": stylus_views(ask.house.shelf)}


def pile(ask: Ask) -> Any:
    return {"pile": ask.house.pile.record_ids()}


def keep_pile(ask: Ask) -> Any:
    return {"pile": ask.house.pile.keep(ask.body.records)}


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="GET", path="/api/state", handler=state),
    Endpoint(method="GET", path="/api/records", handler=records),
    Endpoint(method="GET", path="/api/bin", handler=bin_content),
    Endpoint(method="DELETE", path="/api/bin", handler=empty_bin),
    Endpoint(method="GET", path="/api/due", handler=due),
    Endpoint(method="GET", path="/api/interrupted", handler=interrupted),
    Endpoint(method="POST", path="/api/interrupted/close", handler=close_interrupted),
    Endpoint(method="POST", path="/api/index", handler=index_again),
    Endpoint(method="GET", path="/api/kinds", handler=kinds),
    Endpoint(method="GET", path="/api/styluses", handler=styluses),
    Endpoint(method="POST", path="/api/styluses", handler=keep_stylus_sent, body=StylusFacts),
    Endpoint(method="GET", path="/api/pile", handler=pile),
    Endpoint(method="PUT", path="/api/pile", handler=keep_pile, body=PileSent),
]
