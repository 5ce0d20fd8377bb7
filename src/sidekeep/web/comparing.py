"""Two takes of a side through the interface: comparing and combining them, and when to play the record again."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from sidekeep.service.comparing.heard import HEARD
from sidekeep.web.answers import bytes_answer
from sidekeep.web.asking import Ask
from sidekeep.web.guard import REPORT_POLICY


def compare_takes(ask: Ask) -> Any:
    return ask.house.compare(ask.body.old, ask.part("take"))


def combine_takes(ask: Ask) -> Any:
    return ask.house.combine([ask.part("take"), *ask.body.others])


def play_again(ask: Ask) -> Any:
    return ask.house.play_again(ask.part("record"), ask.body.after)


def comparison(ask: Ask) -> Any:
    return ask.house.comparison(ask.word("with"), ask.part("take"))


def comparison_sound(ask: Ask) -> Response:
    data = ask.house.comparison_sound(
        ask.word("with"),
        ask.part("take"),
        ask.whole("start_frame"),
        ask.whole("stop_frame"),
        ask.choice("as", HEARD, "both"),
    )
    return bytes_answer(data, "audio/wav")


def comparison_report(ask: Ask) -> Response:
    page = ask.house.comparison_report(ask.word("with"), ask.part("take"))
    headers = {"Content-Security-Policy": REPORT_POLICY}
    return Response(page, media_type="text/html; charset=utf-8", headers=headers)
