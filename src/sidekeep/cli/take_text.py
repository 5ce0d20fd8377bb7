"""A recording session as a person, or a machine, follows it."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from types import TracebackType
from typing import Any

from sidekeep.cli.gauge_text import level_bar
from sidekeep.service.take import ShelfTake, TakeStatus
from sidekeep.units import clock_text

_PHASES = {
    "armed": "waiting for the needle",
    "recording": "recording",
    "closing": "closing",
    "flip": "waiting for the flip",
    "done": "done",
}


class Teller:
    """One line that is kept up to date, and one line for every piece of news."""

    def __init__(self, *, machine: bool = False) -> None:
        self._machine = machine
        self._live: Any = None

    def __enter__(self) -> Teller:
        if not self._machine and sys.stdout.isatty():
            from rich.live import Live

            self._live = Live(refresh_per_second=5, transient=True)
            self._live.__enter__()
            self.note("keys: s start now, e end this side, q stop")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.__exit__(kind, error, trace)
            self._live = None

    def note(self, text: str) -> None:
        """A line that stays."""
        if self._machine:
            print(json.dumps({"message": text}), flush=True)
        elif self._live is not None:
            self._live.console.print(text, highlight=False)
        else:
            print(text, flush=True)

    def tell(self, status: TakeStatus) -> None:
        """News or just the state of things."""
        if status.message:
            if self._machine:
                news = {"phase": status.phase, "side": status.side, "elapsed_s": round(status.elapsed_s, 3)}
                print(json.dumps({**news, "message": status.message}), flush=True)
            else:
                self.note(status.message)
        if self._live is not None and status.reading is not None:
            from rich.text import Text

            reading = status.reading
            names = ("L", "R") if len(reading.peak_dbfs) == 2 else ("M",)
            lines = [f"side {status.side}  {_PHASES[status.phase]}  {clock_text(status.elapsed_s)}"]
            lines += [
                f"{name} {level_bar(peak, held)} {held:6.1f} dBFS"
                for name, peak, held in zip(names, reading.peak_dbfs, reading.held_dbfs, strict=False)
            ]
            lines.append(reading.advice)
            self._live.update(Text("\n".join(lines)))

    def summary(self, takes: Sequence[ShelfTake]) -> None:
        """What lies on the shelf now."""
        if self._machine:
            print(json.dumps({"takes": [take.facts() for take in takes]}), flush=True)
            return
        for take in takes:
            print(f"{take.folder}: side {take.side}, {clock_text(take.length_s)}")
            for problem in take.problems:
                print(f"  {problem}")
