"""Answers of the server: JSON by msgspec, bytes with facts in a header, errors as code, facts and one sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec
from starlette.responses import Response

from sidekeep.errors import (
    AudioFileError,
    Cancelled,
    ChangedElsewhere,
    CopyError,
    DeviceError,
    NotThere,
    ParameterError,
    ShelfError,
    SidekeepError,
    SleeveError,
)

_encoder = msgspec.json.Encoder(enc_hook=str)

_STATUS: tuple[tuple[type[BaseException], int], ...] = (
    (NotThere, 404),
    (ChangedElsewhere, 409),
    (ParameterError, 400),
    (SleeveError, 400),
    (AudioFileError, 422),
    (DeviceError, 409),
    (CopyError, 409),
    (ShelfError, 409),
    (Cancelled, 409),
    (SidekeepError, 400),
)


def to_json(value: Any) -> bytes:
    """UTF-8 JSON; numbers must be finite."""
    return _encoder.encode(value)


def json_answer(value: Any, status: int = 200) -> Response:
    """A JSON answer."""
    return Response(to_json(value), status, media_type="application/json")


def bytes_answer(data: bytes, kind: str, facts: Mapping[str, Any] | None = None, name: str = "") -> Response:
    """Bytes of a media type, with JSON facts in the header ``X-Sidekeep-<name>``."""
    headers = {f"X-Sidekeep-{name}": to_json(facts).decode("ascii")} if facts is not None else None
    return Response(data, media_type=kind, headers=headers)


def answer_to(error: BaseException, status: int = 0) -> Response:
    """The answer that an exception of the service becomes, with the status of its kind unless another is given; anything
    unforeseen tells no inner facts."""
    if isinstance(error, SidekeepError):
        status = status or next(status for kind, status in _STATUS if isinstance(error, kind))
    elif isinstance(error, OSError):
        status, error = 500, SidekeepError("disk", reason=error.strerror or type(error).__name__)
    else:
        status, error = 500, SidekeepError("fault")
    told = {"code": error.code, "facts": error.facts, "text": " ".join(str(error).split())}
    return json_answer({"error": told}, status)
