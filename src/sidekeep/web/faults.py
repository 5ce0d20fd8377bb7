"""What went wrong inside while the server runs: one line in its window, the whole trace with ``--debug``."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Iterator

_LOGGERS = ("sidekeep.web", "uvicorn.error", "asyncio")


class FaultLines(logging.Handler):
    """Hands every fault to ``tell``, in one line unless traces are wanted."""

    def __init__(self, tell: Callable[[str], None], *, traces: bool) -> None:
        super().__init__(logging.ERROR)
        self._tell = tell
        self._traces = traces

    def emit(self, record: logging.LogRecord) -> None:
        """Tell one fault."""
        if self._traces:
            self._tell(self.format(record))
            return
        error = record.exc_info[1] if record.exc_info else None
        where = " ".join(record.getMessage().split())
        what = f"{type(error).__name__}: {' '.join(str(error).split())}" if error else ""
        cause = f" ({what.rstrip(': ')})" if what else ""
        self._tell(
            f"something went wrong inside, at {where[:200]}{cause[:300]}; the page goes on; --debug shows more"
        )


@contextlib.contextmanager
def faults_told(tell: Callable[[str], None], *, traces: bool) -> Iterator[None]:
    """Faults of the server and of the libraries under it go to ``tell``, and nowhere else."""
    handler = FaultLines(tell, traces=traces)
    loggers = [logging.getLogger(name) for name in _LOGGERS]
    before = [logger.propagate for logger in loggers]
    for logger in loggers:
        logger.addHandler(handler)
        logger.propagate = False
    try:
        yield
    finally:
        for logger, propagates in zip(loggers, before, strict=True):
            logger.removeHandler(handler)
            logger.propagate = propagates
