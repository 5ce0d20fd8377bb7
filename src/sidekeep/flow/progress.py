"""How long work tells how far it is. No heavy imports: the command line loads this first."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Called with the share done (0 to 1) and what is being done; may raise ``Cancelled``."""

    def __call__(self, share: float, doing: str = "") -> None: ...


def no_progress(share: float, doing: str = "") -> None:
    """For callers that do not watch."""


def part(progress: Progress, low: float, high: float) -> Progress:
    """A progress that fills only a part of another one."""

    def report(share: float, doing: str = "") -> None:
        progress(low + (high - low) * share, doing)

    return report
