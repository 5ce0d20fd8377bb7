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

    code = "too-large"


class TooSlow(SidekeepError):
    """A body that does not arrive."""

    code = "too-slow"


async def body_chunks(request: Request, most_bytes: int) -> AsyncIterator[bytes]:
    """The body as it comes; raises ``TooLarge`` or ``TooSlow``."""
    declared = request.headers.get("content-length", "")
    if declared.isdigit() and int(declared) > most_bytes:
        raise TooLarge(f"{declared} bytes are too many here; at most {most_bytes} are taken")
    got = 0
    begun_s = time.monotonic()
    stream = request.stream()
    while True:
        if time.monotonic() - begun_s > PATIENCE_S + got / SLOWEST_BYTES_PER_S:
            raise TooSlow("this comes too slowly; send it again over a better line")
        try:
            chunk = await asyncio.wait_for(anext(stream), SLOWEST_CHUNK_S)
        except StopAsyncIteration:
            return
        except TimeoutError:
            raise TooSlow(f"nothing came for {SLOWEST_CHUNK_S:g} s; send it again") from None
        except ClientDisconnect:
            raise TooSlow("the sender went away before all was sent") from None
        got += len(chunk)
        if got > most_bytes:
            raise TooLarge(f"more than {most_bytes} bytes came; no more are taken here")
        if chunk:
            yield chunk
