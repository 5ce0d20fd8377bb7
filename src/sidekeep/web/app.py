"""The application: the page's files, the JSON interface and the stream of news, behind the guard."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable, Sequence

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Scope

from sidekeep.errors import SidekeepError
from sidekeep.service.house.house import House
from sidekeep.web.answers import answer_to, error_answer, json_answer
from sidekeep.web.asking import Ask, Endpoint, TooLarge, TooSlow, read_body
from sidekeep.web.files import PageFiles
from sidekeep.web.guard import Guard
from sidekeep.web.routes import ENDPOINTS
from sidekeep.web.socket import Events

log = logging.getLogger("sidekeep.web")


def build_app(
    house: House, *, hosts: Callable[[], frozenset[str]], admit: Callable[[Scope], bool] = lambda scope: True
) -> ASGIApp:
    """Everything one server answers with. ``hosts`` are the names it goes by."""
    page = PageFiles()

    async def page_file(request: Request) -> Response:
        return await run_in_threadpool(page.answer, request, request.path_params["name"])

    async def icon(request: Request) -> Response:
        return await run_in_threadpool(page.answer, request, "icon.svg")

    async def place(request: Request) -> Response:
        if request.url.path.startswith("/api/"):
            return error_answer(404, "not-there", "there is nothing to ask at this address")
        return await run_in_threadpool(page.answer, request, "index.html")

    routes = [
        WebSocketRoute("/api/events", Events(house).answer),
        *(
            Route(endpoint.path, _answering(house, endpoint), methods=[endpoint.method])
            for endpoint in _gathered(ENDPOINTS)
        ),
        Route("/page/{name:path}", page_file, methods=["GET"]),
        Route("/favicon.ico", icon, methods=["GET"]),
        Route("/{place:path}", place, methods=["GET"]),
    ]
    return Guard(Starlette(routes=routes), hosts=hosts, admit=admit)


def _gathered(endpoints: Sequence[Endpoint]) -> list[Endpoint]:
    """Fixed words before names in braces, so that neither hides the other."""
    return sorted(endpoints, key=lambda endpoint: endpoint.path.count("{"))


def _answering(house: House, endpoint: Endpoint) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        try:
            body = await read_body(request, endpoint)
            found = await run_in_threadpool(endpoint.handler, Ask(house=house, request=request, body=body))
        except TooLarge as error:
            return error_answer(413, error.code, str(error))
        except TooSlow as error:
            return error_answer(408, error.code, str(error))
        except (SidekeepError, OSError) as error:
            return answer_to(error)
        except Exception as error:
            log.exception("%s %s", endpoint.method, endpoint.path)
            return answer_to(error)
        return found if isinstance(found, Response) else json_answer(found)

    return answer
