"""Long work: asking for it, watching it, cancelling it."""

from __future__ import annotations

from typing import Any

from sidekeep.service.choices.kinds import check_kinds
from sidekeep.web.asking import Ask, Endpoint
from sidekeep.web.endpoints.sent import Check, Copies


def survey_record(ask: Ask) -> Any:
    return ask.house.ask_for("survey", ask.part("record"))


def write_copies(ask: Ask) -> Any:
    wanted = ask.body
    return ask.house.ask_for(
        "copies",
        ask.part("record"),
        kinds=check_kinds(wanted.copies if wanted.kinds is None else wanted.kinds),
        replace=wanted.replace,
        titles=wanted.titles,
        comment=wanted.comment,
        track_names=wanted.track_names,
        old_tags=wanted.old_tags,
    )


def verify_record(ask: Ask) -> Any:
    return ask.house.ask_for("verify", ask.part("record"), decode_flac=ask.body.decode_flac)


def verify_shelf(ask: Ask) -> Any:
    return ask.house.ask_for("verify", None, decode_flac=ask.body.decode_flac)


def jobs(ask: Ask) -> Any:
    return {"jobs": ask.house.jobs.views()}


def job(ask: Ask) -> Any:
    return ask.house.jobs.view(ask.part("job"))


def cancel_job(ask: Ask) -> Any:
    return ask.house.jobs.cancel(ask.part("job"))


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="POST", path="/api/records/{record}/survey", handler=survey_record),
    Endpoint(method="POST", path="/api/records/{record}/copies", handler=write_copies, body=Copies),
    Endpoint(method="POST", path="/api/records/{record}/verify", handler=verify_record, body=Check),
    Endpoint(method="POST", path="/api/verify", handler=verify_shelf, body=Check),
    Endpoint(method="GET", path="/api/jobs", handler=jobs),
    Endpoint(method="GET", path="/api/jobs/{job}", handler=job),
    Endpoint(method="DELETE", path="/api/jobs/{job}", handler=cancel_job),
]
