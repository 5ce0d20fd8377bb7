"""The sockets of the server."""

from __future__ import annotations

import asyncio
import socket

from sidekeep.web.server import listening_socket
from tests.web.conftest import run_alone


def test_answers_do_not_wait_for_more_bytes() -> None:
    """An answer of two small packets would wait 40 ms for the other side's acknowledgement (RFC 896 with RFC 1122, 4.2.3.2)."""

    async def option() -> int:
        found: asyncio.Future[int] = asyncio.get_running_loop().create_future()

        def came(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            line = writer.get_extra_info("socket")
            found.set_result(line.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            writer.close()

        bound = listening_socket("127.0.0.1", 0)
        async with await asyncio.start_server(came, sock=bound):
            _, writer = await asyncio.open_connection(*bound.getsockname())
            value = await asyncio.wait_for(found, 60.0)
            writer.close()
        return value

    assert run_alone(option()) != 0
