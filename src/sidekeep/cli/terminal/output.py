"""What a person sees while waiting and when it is done: progress, lines, JSON. Rich loads late."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, TextIO

from sidekeep.cli.terminal.stopping import watched
from sidekeep.flow.progress import Progress, no_progress


@contextmanager
def progress_bar(title: str, *, quiet: bool = False) -> Iterator[Progress]:
    """A bar on stderr when a person watches; silence for scripts and pipes."""
    if quiet or not sys.stderr.isatty():
        yield watched(no_progress)
        return
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    with Bars(
        TextColumn("{task.description}"),
        BarColumn(bar_width=32),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bars:
        task = bars.add_task(title, total=1.0)

        def report(share: float, doing: str = "") -> None:
            bars.update(task, completed=min(max(share, 0.0), 1.0), description=doing or title)

        yield watched(report)


def say(line: str, *, hang: int = 4, to: TextIO | None = None) -> None:
    """A line for a person: on a terminal it is broken between words and goes on ``hang`` columns further in; a pipe or a
    file gets it whole.

    Not for lines that are a path: those are copied, and the terminal breaks them best.
    """
    stream = to or sys.stdout
    if stream.isatty():
        from sidekeep.cli.terminal.screen import fold

        line = "\n".join(fold(line, shutil.get_terminal_size().columns, hang=hang))
    print(line, file=stream)


def print_json(value: Mapping[str, Any]) -> None:
    """One object on standard output; numbers are finite, text is UTF-8."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, allow_nan=False, indent=2) + "\n")
