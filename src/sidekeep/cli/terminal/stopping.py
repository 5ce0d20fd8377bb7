"""A program that is asked to end: Ctrl+C, an ordered shutdown and a closed terminal are one and the same to a verb, and it says
how far it had come."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from sidekeep.flow.progress import Progress

_AS_CTRL_C = ("SIGTERM", "SIGHUP", "SIGBREAK")
_DONE: list[tuple[float, str]] = []
"""How far the work is that is under way, and what it does; empty before it has said so."""


@contextmanager
def stopped_as_by_ctrl_c() -> Iterator[None]:
    """What ends a program at once ends it as Ctrl+C does, so that all that is open is closed and cleared away. A signal that was
    to be ignored (``nohup``) still is."""
    before = {}
    _DONE.clear()
    if threading.current_thread() is threading.main_thread():
        for name in _AS_CTRL_C:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                before[number] = signal.signal(number, _stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _stop(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def watched(progress: Progress) -> Progress:
    """The same progress; how far it came is remembered for ``how_far``."""

    def report(share: float, doing: str = "") -> None:
        _DONE[:] = [(share, doing)]
        progress(share, doing)

    return report


def how_far() -> str:
    """``" at 43 %, listening (side A.wav)"``; empty before any work has begun."""
    if not _DONE:
        return ""
    share, doing = _DONE[0]
    return f" at {min(max(share, 0.0), 1.0):.0%}".replace("%", " %") + (f", {doing}" if doing else "")
