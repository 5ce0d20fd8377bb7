"""What became of each line of a sleeve text.

Conventions: lines count from 1. ``reads_as`` says what a line is; a doubt says what is odd about it, as a short code with
facts and as a sentence. A line that is ``unread`` always has a doubt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from sidekeep.model.record import Record

ReadsAs = Literal["title", "side", "track", "field", "note", "unread", "blank"]


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """One thing that is odd about a line."""

    code: str
    text: str
    facts: Mapping[str, str | int] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class ReadLine:
    """A line and what it was read as; ``side`` and ``track`` (its number on the side) when it is part of a track."""

    number: int
    text: str
    reads_as: ReadsAs
    side: str = ""
    track: int = 0
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, kw_only=True)
class SleeveReading:
    """The record, and every line of the text in order."""

    record: Record
    lines: tuple[ReadLine, ...]


@dataclass(kw_only=True)
class ReadingLine:
    """A line on its way: settled when all lines have been seen."""

    number: int
    text: str
    reads_as: ReadsAs = "blank"
    side: str = ""
    track: int = 0
    doubts: list[Doubt] = field(default_factory=list)

    def doubt(self, code: str, text: str, **facts: str | int) -> None:
        """Note something odd."""
        self.doubts.append(Doubt(code=code, text=text, facts=facts))

    def unread(self, code: str, text: str, **facts: str | int) -> None:
        """Nothing of the line is used, and why."""
        self.reads_as = "unread"
        self.doubt(code, text, **facts)

    def settled(self) -> ReadLine:
        """As it stays."""
        return ReadLine(
            number=self.number,
            text=self.text,
            reads_as=self.reads_as,
            side=self.side,
            track=self.track,
            doubts=tuple(self.doubts),
        )
