"""The pictures of a record: sleeve, label, and the corners of a photographed sleeve."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from sidekeep.service.shelf.pictures import (
    LARGEST_UPLOAD,
    drop_picture,
    keep_picture,
    kind_of,
    move_corners,
    picture_of,
)
from sidekeep.web.answers import bytes_answer
from sidekeep.web.asking import Ask, Endpoint
from sidekeep.web.endpoints.sent import Corners


def picture(ask: Ask) -> Response:
    kept = picture_of(ask.house.library.folder(ask.part("record")), ask.part("kind"))
    path = kept.original or kept.path if ask.word("original") == "1" else kept.path
    return bytes_answer(ask.house.thumbnails.get(path, ask.whole("size", 600)), "image/jpeg")


def keep_picture_sent(ask: Ask) -> Any:
    kept = keep_picture(
        ask.house.library.folder(ask.part("record")), kind_of(ask.word("kind", "front")), ask.body
    )
    return {**kept.view(), "record": ask.house.changed(ask.part("record"))}


def put_corners(ask: Ask) -> Any:
    kept = move_corners(
        ask.house.library.folder(ask.part("record")),
        kind_of(ask.part("kind")),
        ask.body.corners,
        expected_revision=ask.body.revision,
    )
    return {**kept.view(), "record": ask.house.changed(ask.part("record"))}


def drop_picture_kept(ask: Ask) -> Any:
    drop_picture(ask.house.library.folder(ask.part("record")), kind_of(ask.part("kind")))
    return ask.house.changed(ask.part("record"))


ENDPOINTS: list[Endpoint] = [
    Endpoint(method="GET", path="/api/records/{record}/pictures/{kind}", handler=picture),
    Endpoint(
        method="POST", path="/api/records/{record}/pictures", handler=keep_picture_sent, body=LARGEST_UPLOAD
    ),
    Endpoint(
        method="PUT", path="/api/records/{record}/pictures/{kind}/corners", handler=put_corners, body=Corners
    ),
    Endpoint(method="DELETE", path="/api/records/{record}/pictures/{kind}", handler=drop_picture_kept),
]
