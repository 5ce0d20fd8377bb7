"""Single keys from a terminal, without waiting for Return: s start, e end the side, q stop."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Literal

Key = Literal["start", "end", "stop"]
KEYS: dict[str, Key] = {"s": "start", "e": "end", "q": "stop"}


@contextmanager
def terminal_keys() -> Iterator[Callable[[], Key | None]]:
    """A function that gives the key pressed since it was last asked, if any. Off a terminal: never one."""
    if not sys.stdin.isatty():
        yield lambda: None
        return
    if sys.platform == "win32":
        import msvcrt

        yield lambda: KEYS.get(msvcrt.getwch().lower()) if msvcrt.kbhit() else None
        return
    import select
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)

    def pressed() -> Key | None:
        if select.select([sys.stdin], [], [], 0)[0]:
            return KEYS.get(sys.stdin.read(1).lower())
        return None

    try:
        tty.setcbreak(sys.stdin.fileno())
        yield pressed
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
