"""The turntable: the input, the level, and the session of the evening."""

from __future__ import annotations

from typing import Any

from sidekeep.service.choices.kinds import check_kinds
from sidekeep.service.house.turntable.level import input_views, use_input
from sidekeep.web.asking import Ask, Endpoint
from sidekeep.web.endpoints.sent import Chosen, On, SessionSent, Wish


def inputs(ask: Ask) -> Any:
    return input_views()


def choose_input(ask: Ask) -> Any:
    return use_input(ask.body.input, ask.body.rate_hz, ask.body.bits)


def gauge(ask: Ask) -> Any:
    return ask.house.turntable.gauge(ask.body.on, ask.body.peak_dbfs)


def session(ask: Ask) -> Any:
    return {"session": ask.house.turntable.view()}


def start_session(ask: Ask) -> Any:
    wanted = ask.body.then.copies if ask.body.then else None
    return ask.house.start_session(
        ask.body.record,
        ask.body.sides,
        check_kinds(wanted) if wanted else [],
        stylus=ask.body.stylus,
        by_needle=ask.body.by_needle,
        any_side=ask.body.any_side,
        survey=ask.body.survey,
    )


def act(ask: Ask) -> Any:
    wish = ask.body
    session = ask.house.turntable.act(wish.do, wish.side, record=wish.record, take=wish.take)
    return {"session": session}


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="GET", path="/api/inputs", handler=inputs),
    Endpoint(method="POST", path="/api/inputs/choose", handler=choose_input, body=Chosen),
    Endpoint(method="POST", path="/api/gauge", handler=gauge, body=On),
    Endpoint(method="GET", path="/api/session", handler=session),
    Endpoint(method="POST", path="/api/session", handler=start_session, body=SessionSent),
    Endpoint(method="POST", path="/api/session/act", handler=act, body=Wish),
]
