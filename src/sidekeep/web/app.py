"""The application: the page's files, the JSON interface and the stream of news, behind the guard."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable, Sequence

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp

from sidekeep.errors import NotThere, SidekeepError
from sidekeep.fonts import FOLDER as FONTS
from sidekeep.service.house.house import House
from sidekeep.web.answers import answer_to, json_answer
from sidekeep.web.asking import Ask, Endpoint, read_body
from sidekeep.web.bodies import TooLarge, TooSlow
from sidekeep.web.door import LET_IN, Door
from sidekeep.web.endpoints.table import ENDPOINTS
from sidekeep.web.files import PageFiles
from sidekeep.web.guard import Guard
from sidekeep.web.socket import Events

log = logging.getLogger("sidekeep.web")


def build_app(house: House, door: Door) -> ASGIApp:
    """Everything one server answers with, to those the door lets in."""
    page, fonts = PageFiles(), PageFiles(FONTS)

    # The page's files are few, small and kept in memory: no thread is needed for them.
    async def page_file(request: Request) -> Response:
        return page.answer(request, request.path_params["name"])

    async def font_file(request: Request) -> Response:
        return fonts.answer(request, request.path_params["name"])

    async def icon(request: Request) -> Response:
        return page.answer(request, "icon.svg")

    async def place(request: Request) -> Response:
        if request.url.path.startswith("/api/"):
            return answer_to(NotThere("no-such-address"))
        return page.place(request, request.url.path)

    routes = [
        WebSocketRoute("/api/events", Events(house, door.admit).answer),
        *(
            Route(endpoint.path, _answering(house, door, endpoint), methods=[endpoint.method])
            for endpoint in _gathered(ENDPOINTS)
        ),
        Route(LET_IN, door.answer, methods=["GET", "POST"]),
        Route("/page/fonts/{name:path}", font_file, methods=["GET"]),
        Route("/page/{name:path}", page_file, methods=["GET"]),
        Route("/favicon.ico", icon, methods=["GET"]),
        Route("/{place:path}", place, methods=["GET"]),
    ]
    return Guard(Starlette(routes=routes), hosts=door.hosts, admit=door.admit)


def _gathered(endpoints: Sequence[Endpoint]) -> list[Endpoint]:
    """Fixed words before names in braces, so that neither hides the other."""
    return sorted(endpoints, key=lambda endpoint: endpoint.path.count("{"))


def _answering(house: House, door: Door, endpoint: Endpoint) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        try:
            body = await read_body(request, endpoint, house)
            found = await run_in_threadpool(
                endpoint.handler, Ask(house=house, door=door, request=request, body=body)
            )
        except TooLarge as error:
            return answer_to(error, 413)
        except TooSlow as error:
            return answer_to(error, 408)
        except (SidekeepError, OSError) as error:
            return answer_to(error)
        except Exception as error:
            log.exception("%s %s", endpoint.method, endpoint.path)
            return answer_to(error)
        return found if isinstance(found, Response) else json_answer(found)

    return answer
