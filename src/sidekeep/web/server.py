"""Running the server: the port, the listening socket, a clean end."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from sidekeep.errors import DeviceError, ParameterError
from sidekeep.service.house.house import House
from sidekeep.web.app import build_app
from sidekeep.web.door import Door
from sidekeep.web.faults import faults_told

MOST_CONNECTIONS = 200
FIRST_REQUEST_S = 10.0
LARGEST_HEAD = 32_768


class PatientProtocol(H11Protocol):
    """A connection that has not finished its first request after some seconds is closed: no line is held for nothing."""

    def connection_made(self, transport: Any) -> None:
        """Begin to count."""
        super().connection_made(transport)
        self.loop.call_later(FIRST_REQUEST_S, self._close_idle)

    def _close_idle(self) -> None:
        transport = self.transport
        # A websocket has taken the connection over by then: that one is meant to stay.
        if self.cycle is None and transport is not None and transport.get_protocol() is self:
            transport.close()


class QuietServer(uvicorn.Server):
    """Signals are ours: the server ends when it is told, and nothing is raised afterwards."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave them alone."""
        yield


def listening_socket(host: str, port: int) -> socket.socket:
    """A bound socket; port 0 takes a free one."""
    # Named as TCP, because asyncio switches the delay of small packets off (40 ms an answer) only where it sees that.
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if os.name == "nt":  # there SO_REUSEADDR would let two programs have one port
        made.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)  # type: ignore[attr-defined]
    else:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((host, port))
    except OSError:
        made.close()
        raise
    return made


def choose_socket(port: int, tell: Callable[[str], None]) -> socket.socket:
    """The loopback socket on the wanted port, or on a free one, said clearly, when that is taken."""
    if not 0 <= port <= 65_535:
        raise ParameterError("port-range", port=port)
    try:
        return listening_socket("127.0.0.1", port)
    except PermissionError:
        reason = f"port {port} may not be used by this account"
    except OSError:
        reason = f"port {port} is taken (another sidekeep may be open)"
    try:
        found = listening_socket("127.0.0.1", 0)
    except OSError as error:
        raise DeviceError("no-local-port", reason=error.strerror) from error
    tell(f"{reason}; using {found.getsockname()[1]} instead")
    return found


def server_config(app: Any) -> uvicorn.Config:
    """How every listening socket is served."""
    return uvicorn.Config(
        app,
        http=PatientProtocol,
        ws="websockets-sansio",
        ws_max_size=65_536,
        lifespan="off",
        access_log=False,
        log_config=None,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        limit_concurrency=MOST_CONNECTIONS,
        h11_max_incomplete_event_size=LARGEST_HEAD,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=2,
    )


def run_server(
    shelf: Path,
    port: int,
    *,
    tell: Callable[[str], None],
    opened: Callable[[str], None],
    debug: bool = False,
) -> None:
    """Serve a shelf on loopback until Ctrl+C, SIGTERM or a closed terminal. ``opened`` is called once with the page's address;
    ``debug`` tells faults with their trace."""
    bound = choose_socket(port, tell)
    with faults_told(tell, traces=debug):
        asyncio.run(_serve(shelf, bound, opened))


async def _serve(shelf: Path, bound: socket.socket, opened: Callable[[str], None]) -> None:
    port = bound.getsockname()[1]
    house = House(shelf)
    door = Door(port)
    app = build_app(house, door)
    door.begin(lambda: QuietServer(server_config(app)))
    server = QuietServer(server_config(app))
    loop = asyncio.get_running_loop()

    def end(*_: object) -> None:
        server.should_exit = True

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is None or signal.getsignal(number) is signal.SIG_IGN:
            continue  # Windows has no SIGHUP; under nohup a closed terminal is not to end it
        try:
            loop.add_signal_handler(number, end)
        except (
            NotImplementedError,
            RuntimeError,
        ):  # Windows has no such handlers; outside the main thread nobody has
            with contextlib.suppress(ValueError):
                signal.signal(number, end)
    bound.listen(100)
    opened(f"http://127.0.0.1:{port}/")
    try:
        await server.serve(sockets=[bound])
    finally:
        await door.close()
        await asyncio.to_thread(house.close)
