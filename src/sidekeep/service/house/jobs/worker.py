"""The process that does the long work, one job after another, so that the server answers meanwhile.

It gives way to everything else (a recording first of all). Told to stop, it is interrupted as by Ctrl+C, which every
verb clears up after; when its parent is gone it stops too.
"""

from __future__ import annotations

import _thread
import contextlib
import os
import signal
import threading
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from sidekeep.errors import Cancelled, SidekeepError

PROGRESS_EVERY_S = 0.1
_NICE = 10


class _Work:
    """What the listening thread and the working one share."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.job = ""
        self.is_cancelled = False


def run_worker(pipe: Connection, shelf: str) -> None:
    """Do jobs until told to end or until the parent is gone."""
    with contextlib.suppress(OSError, AttributeError):
        os.setsid()  # Ctrl+C at the terminal is the server's to hear
    with contextlib.suppress(OSError, AttributeError):
        os.nice(_NICE)
    work = _Work()
    orders: list[tuple[str, ...]] = []
    ready = threading.Semaphore(0)

    def listen() -> None:
        while True:
            try:
                order = pipe.recv()
            except (EOFError, OSError):
                order = ("end",)
            if order[0] == "cancel":
                _interrupt(work, order[1])
                continue
            if order[0] == "end":
                _interrupt(work, "")
            orders.append(order)
            ready.release()
            if order[0] == "end":
                return

    threading.Thread(target=listen, name="orders", daemon=True).start()
    while True:
        with contextlib.suppress(KeyboardInterrupt):
            ready.acquire()
            order = orders.pop(0)
            if order[0] == "end":
                return
            _, job, kind, arguments = order
            _do(pipe, work, Path(shelf), job, kind, arguments)


def _interrupt(work: _Work, job: str) -> None:
    """Interrupt the job at work; one that is over is left in peace. An empty name means whichever."""
    with work.lock:
        if not work.job or (job and work.job != job) or work.is_cancelled:
            return
        work.is_cancelled = True
        if hasattr(signal, "pthread_kill"):
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
        else:
            _thread.interrupt_main()


def _do(pipe: Connection, work: _Work, shelf: Path, job: str, kind: Any, arguments: Any) -> None:
    from sidekeep.service.house.jobs.kinds import KINDS

    last_told = 0.0
    telling = threading.Lock()

    def progress(share: float, doing: str = "") -> None:
        nonlocal last_told
        if work.is_cancelled:
            raise Cancelled("stopped")
        with telling:
            now = time.monotonic()
            if now - last_told >= PROGRESS_EVERY_S:
                last_told = now
                pipe.send(("progress", job, float(share), doing))

    try:
        with work.lock:
            work.job, work.is_cancelled = job, False
        try:
            answer: tuple[Any, ...] = ("done", job, KINDS[kind](shelf, progress, **arguments))
        finally:
            with work.lock:
                work.job = ""
    except (KeyboardInterrupt, Cancelled):
        answer = ("cancelled", job)
    except SidekeepError as error:
        answer = _failed(job, error)
    except OSError as error:
        answer = _failed(job, SidekeepError("disk", reason=error.strerror or type(error).__name__))
    except MemoryError:
        answer = _failed(job, SidekeepError("memory"))
    except Exception as error:
        answer = _failed(job, fault(error))
    if work.is_cancelled:
        answer = ("cancelled", job) if answer[0] != "done" else answer
    with (
        telling,
        contextlib.suppress(OSError),
    ):  # a parent that was killed hears nothing more, and nobody is told
        pipe.send(answer)


def _failed(job: str, error: SidekeepError) -> tuple[Any, ...]:
    return "failed", job, error.code, dict(error.facts)


def fault(error: Exception) -> SidekeepError:
    """What nobody foresaw, as it is told of a job."""
    return SidekeepError("job-fault", type=type(error).__name__, reason=str(error)[:280])
