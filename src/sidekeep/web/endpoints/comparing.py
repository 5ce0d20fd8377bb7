"""Two takes of a side: comparing and combining them."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from sidekeep.service.comparing.heard import HEARD
from sidekeep.web.answers import bytes_answer
from sidekeep.web.asking import Ask, Endpoint
from sidekeep.web.endpoints.sent import Older, Others
from sidekeep.web.guard import REPORT_POLICY


def compare_takes(ask: Ask) -> Any:
    return ask.house.comparisons.ask_to_compare(ask.body.old, ask.part("take"))


def comparison(ask: Ask) -> Any:
    return ask.house.comparisons.result(ask.word("with"), ask.part("take"))


def comparison_sound(ask: Ask) -> Response:
    data = ask.house.comparisons.sound(
        ask.word("with"),
        ask.part("take"),
        ask.whole("start_frame"),
        ask.whole("stop_frame"),
        ask.choice("as", HEARD, "both"),
    )
    return bytes_answer(data, "audio/wav")


def comparison_report(ask: Ask) -> Response:
    page = ask.house.comparisons.report(ask.word("with"), ask.part("take"))
    headers = {"Content-Security-Policy": REPORT_POLICY}
    return Response(page, media_type="text/html; charset=utf-8", headers=headers)


def combine_takes(ask: Ask) -> Any:
    return ask.house.comparisons.ask_to_combine([ask.part("take"), *ask.body.others], pieces=ask.body.pieces)


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="POST", path="/api/takes/{take}/compare", handler=compare_takes, body=Older),
    Endpoint(method="GET", path="/api/takes/{take}/compare", handler=comparison),
    Endpoint(method="GET", path="/api/takes/{take}/compare/sound", handler=comparison_sound),
    Endpoint(method="GET", path="/api/takes/{take}/compare/report", handler=comparison_report),
    Endpoint(method="POST", path="/api/takes/{take}/combine", handler=combine_takes, body=Others),
]
