"""What goes on beside a session at a terminal: the side is surveyed while it plays, copies are made as they are ready."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from sidekeep.cli.terminal.stopping import heeded
from sidekeep.cli.texts.live import LiveLine
from sidekeep.service.live.evening import EveningFollower
from sidekeep.units import count

SETTLE_S = 120.0
"""So long the end of an evening waits for the last side's survey; longer, and it is made when it is needed."""


SOON_S = 10.0
"""A survey that is not there by then is slow: usually because other programs keep the machine busy, to which it gives way."""


class Beside:
    """The follower of a session, and its news at the terminal. As a context manager it ends what still runs."""

    def __init__(self, shelf: Path, *, kinds: Sequence[str] = (), machine: bool = False) -> None:
        self.follower = EveningFollower(shelf, kinds=kinds)
        self.line = LiveLine()
        self._shelf, self._kinds, self._machine = shelf, kinds, machine

    def __enter__(self) -> Beside:
        return self

    def __exit__(self, *_: object) -> None:
        self.follower.end()

    def hear(self, note: Callable[[str], None]) -> None:
        """Pass on what is new: objects for a machine, for a person the lines that stay; ``line`` follows."""
        for event in self.follower.news():
            text = self.line.hear(event)
            if self._machine:
                with suppress(OSError, ValueError):
                    print(json.dumps(dict(event)), flush=True)
            elif text:
                note(text)

    def settle(self, note: Callable[[str], None]) -> None:
        """After the last side: its survey is a matter of seconds."""
        if not self.follower.survey.is_settled and not self._machine:
            note("surveying the last side")
        try:
            begun_s = time.monotonic()
            is_settled = self.follower.survey.settle(SOON_S)
            if not is_settled and time.monotonic() - begun_s >= SOON_S and not self._machine:
                note(
                    "this computer is busy with something else, so that takes a while; "
                    "Ctrl+C leaves it for later, and nothing is lost"
                )
            self.follower.survey.settle(SETTLE_S - SOON_S)
        except KeyboardInterrupt:  # whoever does not want to wait has it surveyed later
            heeded()
        self.hear(note)

    def write_copies(self, record: Path, note: Callable[[str], None]) -> None:
        """The copies that were asked for, now that every side is known; what is encoded already is used."""
        from sidekeep.cli.terminal.output import progress_bar
        from sidekeep.service.transfers.copies import copy_record
        from sidekeep.service.transfers.transferred import TransferOptions

        self.follower.end()
        options = TransferOptions(kinds=list(self._kinds))
        with progress_bar("writing copies", quiet=self._machine) as progress:
            result, report = copy_record(self._shelf, str(record), options=options, progress=progress)
        if self._machine:
            facts: dict[str, Any] = {
                "folder": str(result.folder),
                "files": len(result.written),
                "report": str(report),
            }
            print(
                json.dumps(
                    {"code": "copies-written", "side": "", "take": "", "at_frame": -1, "facts": facts}
                ),
                flush=True,
            )
        else:
            note(f"{count(len(result.written), 'file')} in {result.folder}; report: {report}")
