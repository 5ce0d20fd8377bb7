"""Many open pages, as far as the server sees them: each holds a stream of news and asks for the state now and then.

python -m benchmarks.page_watchers PORT PAGES      ends when its input ends, and prints how many events came
"""

from __future__ import annotations

import asyncio
import sys
import urllib.request

from websockets.asyncio.client import connect
from websockets.typing import Origin

ASK_EVERY_S = 5.0


async def watch(port: int, number: int, came: list[int]) -> None:
    """One page."""
    address = f"127.0.0.1:{port}"
    async with connect(f"ws://{address}/api/events", origin=Origin(f"http://{address}")) as line:
        async for _ in line:
            came[number] += 1


async def ask(port: int) -> None:
    """The questions of a page that is looked at."""
    while True:
        await asyncio.sleep(ASK_EVERY_S)
        await asyncio.to_thread(
            lambda: urllib.request.urlopen(f"http://127.0.0.1:{port}/api/state", timeout=30).read()
        )


async def main(port: int, pages: int) -> None:
    came = [0] * pages
    tasks = [asyncio.create_task(watch(port, number, came)) for number in range(pages)]
    tasks.append(asyncio.create_task(ask(port)))
    await asyncio.to_thread(sys.stdin.read)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    print(sum(came), sum(count > 0 for count in came))


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2])))
