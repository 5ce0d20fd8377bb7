"""A program that is asked to end: Ctrl+C, an ordered shutdown and a closed terminal are one and the same to a verb, and it says
how far it had come."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from sidekeep.flow.progress import Progress

_ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
Ended = Callable[[int, FrameType | None], None]
_DONE: list[tuple[float, str]] = []
"""How far the work is that is under way, and what it does; empty before it has said so."""
_ASKED: list[int] = []
"""The signals that came."""


@contextmanager
def stopped_as_by_ctrl_c() -> Iterator[None]:
    """What ends a program at once ends it as Ctrl+C does, so that all that is open is closed and cleared away. A library that was
    just compiling may swallow it, or fail by it: ``was_asked_to_stop``."""
    _DONE.clear()
    _ASKED.clear()
    with ended_by(_stop), _swallowed_in_silence():
        yield


@contextmanager
def _swallowed_in_silence() -> Iterator[None]:
    """A wish to stop that comes where Python can raise nothing (in what a library calls back) is printed with a trace; it is
    raised again by ``watched``, so that nothing is to be told of it."""
    before = sys.unraisablehook

    def tell(found: sys.UnraisableHookArgs) -> None:
        if not (_ASKED and issubclass(found.exc_type, KeyboardInterrupt)):
            before(found)

    sys.unraisablehook = tell
    try:
        yield
    finally:
        sys.unraisablehook = before


@contextmanager
def ended_by(stop: Ended) -> Iterator[None]:
    """``stop`` is called by what ends a program, as long as this lasts. A signal that was to be ignored (``nohup``) still is, and
    so is one whose handler is not Python's. Only the main thread may ask for signals; elsewhere nothing changes."""
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in _ENDING:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) not in (signal.SIG_IGN, None):
                before[number] = signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _stop(number: int, frame: FrameType | None) -> None:
    _ASKED.append(number)
    raise KeyboardInterrupt


def was_asked_to_stop() -> bool:
    """Whether an error is only what became of a wish to stop."""
    return bool(_ASKED)


def heeded() -> None:
    """The wish to stop has ended what it was meant for; what follows goes on."""
    _ASKED.clear()


def watched(progress: Progress) -> Progress:
    """The same progress; how far it came is remembered for ``how_far``, and a wish to stop that was swallowed is raised again."""

    def report(share: float, doing: str = "") -> None:
        if _ASKED:
            raise KeyboardInterrupt
        _DONE[:] = [(share, doing)]
        progress(share, doing)

    return report


def how_far() -> str:
    """``" at 43 %, listening (side A.wav)"``; empty before any work has begun."""
    if not _DONE:
        return ""
    share, doing = _DONE[0]
    return f" at {min(max(share, 0.0), 1.0):.0%}".replace("%", " %") + (f", {doing}" if doing else "")
