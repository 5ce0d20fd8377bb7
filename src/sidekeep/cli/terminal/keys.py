"""Single keys from a terminal, without waiting for Return. All keys count, however fast they come."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

Keys = Callable[[], str]


_SEQUENCE = re.compile("\x1b(?:\\[[0-?]*[ -/]*[@-~]|O.|.)?", re.DOTALL)
"""What arrows, function keys and Alt send (ECMA-48, 5.4; an ``O`` and a letter for some, common practice)."""


def plain_keys(typed: str) -> str:
    """Without what arrows and function keys send: the last letter of an arrow is ``A`` and would put a take aside."""
    return _SEQUENCE.sub("", typed)


@contextmanager
def terminal_keys() -> Iterator[Keys]:
    """A function that gives the keys pressed since it was last asked. Off a terminal: never one."""
    if not sys.stdin.isatty():
        yield lambda: ""
        return
    if sys.platform == "win32":
        import msvcrt

        def typed() -> str:
            keys = ""
            while msvcrt.kbhit():
                keys += msvcrt.getwch()
            return keys

        yield typed
        return
    import select
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)

    def pressed() -> str:
        try:
            # Straight from the terminal: Python's own reader would keep back what was typed together.
            if select.select([descriptor], [], [], 0)[0]:
                return plain_keys(os.read(descriptor, 1024).decode("utf-8", "replace"))
        except OSError:  # the terminal was closed
            pass
        return ""

    try:
        tty.setcbreak(descriptor)
        yield pressed
    finally:
        with suppress(termios.error):
            termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
