"""One question to the server: path parts, query, body. Bodies are bounded in size and in time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

import msgspec
from starlette.requests import Request

from sidekeep.errors import ParameterError, ShelfError
from sidekeep.service.house.house import House
from sidekeep.web.bodies import body_chunks
from sidekeep.web.door import Door

LARGEST_JSON = 1_000_000
MOST_UPLOADS = 2
_uploads = asyncio.Semaphore(MOST_UPLOADS)
_T = TypeVar("_T")


class Upload:
    """Marks an endpoint whose body is a recording, written to the shelf's disk as it comes; ``body`` is then the
    name it waits under."""


@dataclass(frozen=True, kw_only=True)
class Ask:
    """What a handler is given. ``body`` is the decoded body of the endpoint's type, bytes, or None."""

    house: House
    door: Door
    request: Request
    body: Any = None

    def part(self, name: str) -> str:
        """A part of the path."""
        return str(self.request.path_params[name])

    def word(self, name: str, usual: str = "") -> str:
        """A word of the query."""
        return self.request.query_params.get(name, usual)

    def choice(self, name: str, allowed: Sequence[_T], usual: _T) -> _T:
        """One of some words of the query."""
        given = self.request.query_params.get(name)
        if given is None:
            return usual
        for word in allowed:
            if word == given:
                return word
        raise ParameterError("not-one-of", name=name, given=given[:40], known=allowed)

    def whole(self, name: str, usual: int | None = None) -> int:
        """A whole number of the query."""
        return self._number(name, int, usual)

    def decimal(self, name: str, usual: float | None = None) -> float:
        """A number of the query."""
        return self._number(name, float, usual)

    def _number(self, name: str, kind: Callable[[str], _T], usual: _T | None) -> _T:
        given = self.request.query_params.get(name)
        if given is None:
            if usual is None:
                raise ParameterError("number-missing", name=name)
            return usual
        try:
            if len(given) > 40:
                raise ValueError
            return kind(given)
        except ValueError:
            raise ParameterError("not-a-number", name=name, given=given[:40]) from None


def only_here(ask: Ask) -> None:
    """Refuse whoever does not sit at this machine. Raises ``ParameterError``."""
    if not ask.door.is_here(ask.request.scope):
        raise ParameterError("not-here")


@dataclass(frozen=True, kw_only=True)
class Endpoint:
    """One entry of the interface. ``body`` is a msgspec type for JSON, or a number of bytes at most."""

    method: Literal["GET", "POST", "PUT", "DELETE"]
    path: str
    handler: Callable[[Ask], Any]
    body: type | int | None = None


async def _take_in(request: Request, house: House) -> str:
    """Write a recording to where it waits; its name there. Nothing of it stays when it does not come whole."""
    if _uploads.locked():
        raise ShelfError("uploads-waiting", most=MOST_UPLOADS)
    async with _uploads:
        name, path, room = await asyncio.to_thread(house.place_for_upload)
        try:
            # A disk that has much to write may take seconds to make a file, or to take a large one away.
            with await asyncio.to_thread(path.open, "wb") as file:
                async for chunk in body_chunks(request, room):
                    await asyncio.to_thread(file.write, chunk)
        except BaseException:
            await asyncio.shield(asyncio.to_thread(path.unlink, missing_ok=True))
            raise
        return str(name)


async def read_body(request: Request, endpoint: Endpoint, house: House) -> Any:
    """The body in the form the endpoint wants."""
    if endpoint.body is None:
        return None
    if endpoint.body is Upload:
        return await _take_in(request, house)
    if isinstance(endpoint.body, int):
        return b"".join([chunk async for chunk in body_chunks(request, endpoint.body)])
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        raise ParameterError("not-json")
    data = b"".join([chunk async for chunk in body_chunks(request, LARGEST_JSON)])
    try:
        return msgspec.json.decode(data, type=endpoint.body)
    except RecursionError:
        raise ParameterError("nested-too-deeply") from None
    except (msgspec.ValidationError, msgspec.DecodeError, UnicodeDecodeError) as error:
        raise ParameterError("not-readable", reason=error) from None
