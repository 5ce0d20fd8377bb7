"""A recording session as a person, or a machine, follows it."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from typing import Any

from sidekeep.cli.terminal.output import say
from sidekeep.cli.terminal.screen import Screenful, bar_lines, live_page
from sidekeep.cli.texts.gauge import advice_text
from sidekeep.cli.texts.news import news_text
from sidekeep.model.news import News
from sidekeep.service.recording.take_types import ShelfTake, TakeStatus
from sidekeep.units import clock_text

_PHASES = {
    "opening": "opening the input",
    "armed": "waiting for the needle",
    "recording": "recording",
    "run-out": "recording the run-out",
    "closing": "closing",
    "flip": "waiting for the needle",
    "waiting": "waiting for the input",
    "done": "done",
}
KEYS_LINE = "keys: s start, e end, a again, d put aside, k keep, x other side, n another first, q stop"


class Teller:
    """One page that is kept up to date, and one line for every piece of news.

    ``tell`` may be called from any thread; ``draw`` from the thread that owns the terminal.
    """

    def __init__(self, *, machine: bool = False) -> None:
        self._machine = machine
        self._stack = ExitStack()
        self._show: Any = None
        self._lines: list[str] = []
        self._status: TakeStatus | None = None
        self._lock = threading.Lock()
        self.news: list[News] = []
        self.quiet_line = ""
        self.shown_take: str | None = None
        """The open take on the screen, empty for none; None before anything was drawn."""

    def __enter__(self) -> Teller:
        self._show = self._stack.enter_context(live_page(quiet=self._machine))
        return self

    def __exit__(self, *wrong: Any) -> None:
        with suppress(OSError):  # the terminal was closed
            self._stack.__exit__(*wrong)
        if self._show is not None:
            self._show = None
            for line in self._lines:
                self.note(line)

    def note(self, text: str) -> None:
        """A line that stays."""
        self._print({"message": text} if self._machine else text)

    def note_beside(self, text: str) -> None:
        """A line that stays, of what goes on beside the recording; in the page while there is one."""
        if self._show is None:
            self.note(text)
        else:
            with self._lock:
                self._lines.append(text)

    def _print(self, what: dict[str, Any] | str) -> None:
        """A terminal that is gone is no reason to stop recording."""
        with suppress(OSError, ValueError):
            if isinstance(what, str):
                say(what)
            else:
                print(json.dumps(what))
            sys.stdout.flush()

    def tell(self, status: TakeStatus) -> None:
        """News or just the state of things."""
        with self._lock:
            self._status = status
            self.news += status.news
            for news in status.news:
                self._line(news, status)

    def _line(self, news: News, status: TakeStatus) -> None:
        text = news_text(news)
        if self._machine:
            self._print(
                {
                    "phase": status.phase,
                    "elapsed_s": round(status.elapsed_s, 3),
                    "safe_s": round(status.safe_frames / status.rate_hz, 3),
                    **news.as_object(),
                    "side": news.side or status.side,
                    "message": text,
                }
            )
        elif self._show is None:
            self.note(text)
        else:
            at = clock_text(news.at_frame / status.rate_hz) if news.at_frame >= 0 else ""
            self._lines.append(f"{at} {text}".strip())

    def draw(self) -> None:
        """Bring the page up to date."""
        with self._lock:
            status, lines = self._status, list(self._lines[-12:])
        if self._show is None or status is None:
            return
        self.shown_take = status.take
        with suppress(OSError):
            quiet = [self.quiet_line] if self.quiet_line else []
            self._show(lambda width: Screenful([*status_lines(status, width), *quiet], lines, [KEYS_LINE]))

    def summary(self, takes: Sequence[ShelfTake]) -> None:
        """What lies on the shelf now."""
        if self._machine:
            self._print({"takes": [take.facts() for take in takes]})
            return
        if not takes and not any(news.code in ("left-at", "not-closed") for news in self.news):
            self.note("no side was taken")
        for take in takes:
            self.note(f"side {take.side}, {clock_text(take.length_s)}: {take.folder}")
            for problem in take.notes:
                at = f"{clock_text(problem.at_frame / take.rate_hz)} " if problem.at_frame >= 0 else ""
                self.note(f"  {at}{news_text(problem)}")


def status_lines(status: TakeStatus, width: int) -> list[str]:
    """Where things stand: phase and time, what is safely on the disk, the level."""
    head = f"side {status.side}  {_PHASES[status.phase]}"
    if status.phase in ("recording", "run-out", "closing") and status.elapsed_frames:
        head += f"  {clock_text(status.elapsed_s)}"
    lines = [head]
    if status.safe_frames:
        lines.append(f"on the disk: {clock_text(status.safe_frames / status.rate_hz)} ({status.take})")
    if status.reading is not None and status.input_open:
        lines += bar_lines(status.reading.peak_dbfs, status.reading.held_dbfs, width)
        lines.append(advice_text(status.reading.advice))
    return lines


def is_terminal() -> bool:
    """Whether somebody can press keys."""
    return sys.stdin.isatty()
