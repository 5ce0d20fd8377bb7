"""One record: its sleeve text, its recipe, its copies and their report, and what a person changes."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from sidekeep.model.recipe import LevelSettings
from sidekeep.service.choices.named_sides import sides_of_names
from sidekeep.service.house.records.sleeve_lines import read_sleeve_lines
from sidekeep.web.asking import Ask, Endpoint, only_here
from sidekeep.web.endpoints.sent import Edit, PlayAgain, Recordings, Revision, SleeveSent, Text
from sidekeep.web.guard import REPORT_POLICY


def create_record(ask: Ask) -> Any:
    record_id = ask.house.library.create(ask.body.text)
    ask.house.news.publish("shelf")
    return ask.house.changed(record_id)


def record(ask: Ask) -> Any:
    return ask.house.record(ask.part("record"))


def discard_record(ask: Ask) -> Any:
    ask.house.library.discard(ask.part("record"))
    ask.house.news.publish("record", {"id": ask.part("record")})
    ask.house.news.publish("shelf")
    return {"discarded": ask.part("record")}


def restore_record(ask: Ask) -> Any:
    ask.house.library.restore(ask.part("record"))
    ask.house.news.publish("shelf")
    return ask.house.changed(ask.part("record"))


def empty_take_bin(ask: Ask) -> Any:
    only_here(ask)
    record = ask.house.empty_take_bin(ask.part("record"), ask.body.revision)
    return {"revision": record["revision"], "record": record}


def write_sleeve(ask: Ask) -> Any:
    return ask.house.write_sleeve(ask.part("record"), ask.body.text, ask.body.revision)


def read_sleeve(ask: Ask) -> Any:
    return read_sleeve_lines(ask.body.text)


def sides_of_recordings(ask: Ask) -> Any:
    sent = ask.body
    return {"sides": sides_of_names(sent.names, sent.sides, sent.missing)}


def recipe(ask: Ask) -> Any:
    level = None
    if ask.word("target"):
        level = LevelSettings(
            target=ask.choice("target", ("peak", "loudness", "none"), "peak"),
            peak_dbtp=ask.decimal("peak_dbtp", -1.0),
            loudness_lufs=ask.decimal("loudness_lufs", -18.0),
        )
    return ask.house.recipe(ask.part("record"), level)


def recipe_file(ask: Ask) -> Response:
    headers = {"Content-Disposition": "attachment"}
    return Response(ask.house.recipe_text(ask.part("record")), media_type="application/toml", headers=headers)


def report(ask: Ask) -> Response:
    page = ask.house.report(ask.part("record"))
    headers = {"Content-Security-Policy": REPORT_POLICY}
    return Response(page, media_type="text/html; charset=utf-8", headers=headers)


def open_folder(ask: Ask) -> Any:
    only_here(ask)
    ask.house.open_folder(ask.part("record"))
    return {"opened": True}


def edit(ask: Ask) -> Any:
    record = ask.house.edit(ask.part("record"), ask.body.edit, ask.body.revision)
    return {"revision": record["revision"], "record": record}


def undo(ask: Ask) -> Any:
    record = ask.house.take_back(ask.part("record"), ask.body.revision)
    return {"revision": record["revision"], "record": record}


def redo(ask: Ask) -> Any:
    record = ask.house.take_back(ask.part("record"), ask.body.revision, again=True)
    return {"revision": record["revision"], "record": record}


def history(ask: Ask) -> Any:
    return {"entries": ask.house.history(ask.part("record"))}


def play_again(ask: Ask) -> Any:
    return ask.house.play_again(ask.part("record"), ask.body.after)


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="POST", path="/api/records", handler=create_record, body=Text),
    Endpoint(method="GET", path="/api/records/{record}", handler=record),
    Endpoint(method="DELETE", path="/api/records/{record}", handler=discard_record),
    Endpoint(method="POST", path="/api/records/{record}/restore", handler=restore_record),
    Endpoint(method="DELETE", path="/api/records/{record}/bin", handler=empty_take_bin, body=Revision),
    Endpoint(method="PUT", path="/api/records/{record}/sleeve", handler=write_sleeve, body=SleeveSent),
    Endpoint(method="POST", path="/api/sleeve/read", handler=read_sleeve, body=Text),
    Endpoint(method="POST", path="/api/sleeve/sides", handler=sides_of_recordings, body=Recordings),
    Endpoint(method="GET", path="/api/records/{record}/recipe", handler=recipe),
    Endpoint(method="GET", path="/api/records/{record}/recipe/file", handler=recipe_file),
    Endpoint(method="GET", path="/api/records/{record}/report", handler=report),
    Endpoint(method="POST", path="/api/records/{record}/open-folder", handler=open_folder),
    Endpoint(method="POST", path="/api/records/{record}/edits", handler=edit, body=Edit),
    Endpoint(method="POST", path="/api/records/{record}/undo", handler=undo, body=Revision),
    Endpoint(method="POST", path="/api/records/{record}/redo", handler=redo, body=Revision),
    Endpoint(method="GET", path="/api/records/{record}/history", handler=history),
    Endpoint(method="PUT", path="/api/records/{record}/again", handler=play_again, body=PlayAgain),
]
