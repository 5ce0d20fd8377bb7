"""What a page sends, as it comes: bounded in size and in time."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator

from starlette.requests import ClientDisconnect, Request

from sidekeep.errors import SidekeepError

SLOWEST_CHUNK_S = 20.0
PATIENCE_S = 30.0
SLOWEST_BYTES_PER_S = 10_000


class TooLarge(SidekeepError):
    """A body past its limit."""


class TooSlow(SidekeepError):
    """A body that does not arrive."""


async def body_chunks(request: Request, most_bytes: int) -> AsyncIterator[bytes]:
    """The body as it comes; raises ``TooLarge`` or ``TooSlow``."""
    declared = request.headers.get("content-length", "")
    if declared.isdigit() and int(declared) > most_bytes:
        raise TooLarge("body-too-large", bytes=declared, most_bytes=most_bytes)
    got = 0
    begun_s = time.monotonic()
    stream = request.stream()
    while True:
        if time.monotonic() - begun_s > PATIENCE_S + got / SLOWEST_BYTES_PER_S:
            raise TooSlow("body-too-slow")
        try:
            chunk = await asyncio.wait_for(anext(stream), SLOWEST_CHUNK_S)
        except StopAsyncIteration:
            return
        except TimeoutError:
            raise TooSlow("body-stalled", waited_s=SLOWEST_CHUNK_S) from None
        except ClientDisconnect:
            raise TooSlow("sender-gone") from None
        got += len(chunk)
        if got > most_bytes:
            raise TooLarge("body-outgrew", most_bytes=most_bytes)
        if chunk:
            yield chunk
