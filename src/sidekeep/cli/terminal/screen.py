"""A live page on a terminal: drawn whole every time, so a narrow window or a resize leaves nothing behind.

It uses the terminal's second screen; what must stay is printed on the ordinary one when it is left.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sidekeep.units import MINIMUM_DB

_FEWEST_NEWS = 3


@dataclass(frozen=True)
class Screenful:
    """Lines from top to bottom; what is too long is folded. Where there is no room for all, the oldest of ``news`` go first, then
    ``foot``, then the end of ``head``."""

    head: Sequence[str]
    news: Sequence[str] = ()
    foot: Sequence[str] = ()


Lines = Callable[[int], Screenful]
"""Given the width in columns, what to show."""
SILENCE_DB = -150.0
_BOTTOM_DBFS = -60.0


@contextmanager
def live_page(*, quiet: bool = False) -> Iterator[Callable[[Lines], None] | None]:
    """A function that shows lines; None where there is no terminal to show them on."""
    if quiet or not sys.stdout.isatty():
        yield None
        return
    from rich.live import Live

    with Live(Page(lambda width: Screenful(())), screen=True, auto_refresh=False) as live:
        yield lambda lines: live.update(Page(lines), refresh=True)


class Page:
    """Lines as rich wants them: measured anew at every drawing, cut at the last row."""

    def __init__(self, lines: Lines) -> None:
        self._lines = lines

    def __rich_console__(self, console: Any, options: Any) -> Iterator[Any]:
        from rich.cells import set_cell_size
        from rich.segment import Segment

        width, height = options.max_width, options.height or console.size.height
        for row in rows_of(self._lines(width), width, height):
            yield Segment(set_cell_size(row, width))
            yield Segment.line()


def rows_of(screenful: Screenful, width: int, height: int) -> list[str]:
    """At most ``height`` rows of at most ``width`` columns: the newest news are always among them."""
    head, news, foot = (
        [row for line in lines for row in fold(line, width)]
        for lines in (screenful.head, screenful.news, screenful.foot)
    )
    needed = min(len(news), _FEWEST_NEWS)
    if len(head) + len(foot) + needed + 2 > height:
        foot = []
    head = head[: max(1, height - needed - 1)] if news else head[:height]
    left = height - len(head) - (len(foot) + 1 if foot else 0) - 1
    shown = news[-left:] if left > 0 else []
    return [*head, *(["", *shown] if shown else []), *(["", *foot] if foot else [])]


def fold(line: str, width: int, *, hang: int = 0) -> list[str]:
    """A line in rows of at most ``width`` columns, broken between words where there are any; ``hang`` columns are left before
    every row but the first. Letters of Japanese and its neighbours are two columns wide."""
    text = line.lstrip(" ")
    first = min(len(line) - len(text), width // 2)
    later = min(first + hang, width // 2)
    head, *_ = _rows(text, width - first)
    rest = text[len(head) :].removeprefix(" ")
    return [" " * first + head, *(" " * later + row for row in (_rows(rest, width - later) if rest else []))]


def _rows(text: str, width: int) -> list[str]:
    from rich.cells import cell_len

    rows: list[str] = []
    row = ""
    for word in text.split(" "):
        while cell_len(word) > width:
            if row:
                rows.append(row)
                row = ""
            head = _head(word, width)
            rows.append(head)
            word = word[len(head) :]
        if not row:
            row = word
        elif cell_len(row) + 1 + cell_len(word) <= width:
            row = f"{row} {word}"
        else:
            rows.append(row)
            row = word
    return [*rows, row]


def _head(word: str, width: int) -> str:
    """As many letters as fit, and one at least."""
    from rich.cells import cell_len

    count, columns = 0, 0
    for letter in word:
        columns += cell_len(letter)
        if columns > width:
            break
        count += 1
    return word[: max(1, count)]


def level_bar(peak_dbfs: float, held_dbfs: float, cells_count: int) -> str:
    """A bar from -60 to 0 dBFS with a tick where the peak is held."""

    def place(level_dbfs: float) -> int:
        share = (level_dbfs - _BOTTOM_DBFS) / -_BOTTOM_DBFS
        return min(cells_count - 1, max(0, round(share * (cells_count - 1))))

    cells = ["─"] * cells_count
    for index in range(place(peak_dbfs) + 1 if peak_dbfs > _BOTTOM_DBFS else 0):
        cells[index] = "━"
    if held_dbfs > _BOTTOM_DBFS:
        cells[place(held_dbfs)] = "╋"
    return "".join(cells)


def level_text(level: float, unit: str = "dBFS") -> str:
    """A level for people: nothing at all is silence, not a number."""
    return f"{level:.1f} {unit}" if level > max(MINIMUM_DB, SILENCE_DB) else "silence"


def bar_lines(peaks: Sequence[float], held: Sequence[float], width: int) -> list[str]:
    """One bar per channel, as wide as there is room."""
    names = ("L", "R") if len(peaks) == 2 else ("M",)
    cells = min(48, max(3, width - 15))
    return [
        f"{name} {level_bar(peak, hold, cells)} {level_text(hold):>11}"
        for name, peak, hold in zip(names, peaks, held, strict=False)
    ]
