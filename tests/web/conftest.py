"""A running server on a shelf of its own; every test talks to it over a real socket."""

from __future__ import annotations

import asyncio
import http.client
import json
import shutil
import socket
import threading
from collections.abc import Coroutine, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import pytest

from sidekeep.service.house.house import House
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.transfers.copies import copy_record
from sidekeep.service.transfers.transferred import TransferOptions
from sidekeep.web.app import build_app
from sidekeep.web.door import Door
from sidekeep.web.server import QuietServer, listening_socket, server_config
from tests.shared import made_once
from tests.small_record import small_record
from tests.web.browser import slow

T = TypeVar("T")


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)


class RunningServer:
    """One server in a thread. ``ask`` is a question as a page of its own would put it."""

    def __init__(self, shelf: Path) -> None:
        self.house = House(shelf)
        self.socket = listening_socket("127.0.0.1", 0)
        self.socket.listen(50)
        self.port: int = self.socket.getsockname()[1]
        self.host = f"127.0.0.1:{self.port}"
        self.door = Door(self.port)
        self.app = slow.made_late(build_app(self.house, self.door))
        self.server = QuietServer(server_config(self.app))
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self.door.begin(lambda: QuietServer(server_config(self.app)))
        await self.server.serve(sockets=[self.socket])
        await self.door.close()

    def close(self) -> None:
        self.server.should_exit = True
        self._thread.join(60.0)
        self.house.close()

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: Mapping[str, str] | None = None,
        *,
        own: bool = True,
    ) -> Answer:
        """``own`` False leaves away what a page of ours would say of itself."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        sent = {"Origin": f"http://{self.host}", "Sec-Fetch-Site": "same-origin"} if own else {}
        data = body
        if body is not None and not isinstance(body, bytes):
            data = json.dumps(body).encode()
            sent["Content-Type"] = "application/json"
        sent.update(headers or {})
        try:
            connection.request(method, path, data, sent)
            answer = connection.getresponse()
            held = {name.lower(): value for name, value in answer.getheaders()}
            return Answer(answer.status, held, answer.read())
        finally:
            connection.close()

    def get(self, path: str) -> Any:
        answer = self.ask("GET", path)
        assert answer.status == 200, answer.body
        return answer.json()

    def raw(self, text: bytes, wait_s: float = 10.0) -> bytes:
        """Bytes on the wire, and all that comes back until the server closes or stays silent."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=wait_s) as line:
            line.sendall(text)
            parts = []
            try:
                while part := line.recv(65536):
                    parts.append(part)
            except TimeoutError:
                pass
            return b"".join(parts)


def run_alone(work: Coroutine[Any, Any, T]) -> T:
    """A coroutine in a thread of its own: the browser's library keeps a loop running in ours."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def record_of(server: RunningServer) -> Any:
    """The only record on its shelf, with all that is known of it."""
    (summary,) = server.get("/api/records")["records"]
    return server.get(f"/api/records/{summary['id']}")


@pytest.fixture(scope="session")
def full_shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with the small record: taken, surveyed, copied. Tests that change it take a copy."""
    folder = tmp_path_factory.mktemp("house")

    def make(part: Path) -> None:
        part.mkdir()
        files, sleeve = small_record().write(part)
        adopt(files, shelf=part / "shelf", sleeve_path=sleeve)
        copy_record(part / "shelf", "small hours", options=TransferOptions(kinds="lossless"))

    shelf = folder / "shelf"
    shutil.copytree(made_once("full-shelf", make, folder) / "shelf", shelf)
    return shelf


@pytest.fixture(scope="session")
def server(full_shelf: Path) -> Iterator[RunningServer]:
    running = RunningServer(full_shelf)
    yield running
    running.close()


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[RunningServer]:
    """A server on an empty shelf."""
    running = RunningServer(tmp_path / "shelf")
    yield running
    running.close()


@pytest.fixture(scope="session")
def take_a(server: RunningServer) -> str:
    """The id of the take of side A."""
    (record,) = server.get("/api/records")["records"]
    sides = server.get(f"/api/records/{record['id']}")["sides"]
    return str(next(side["chosen_take"] for side in sides if side["side"] == "A"))
