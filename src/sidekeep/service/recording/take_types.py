"""What passes between a take session and whoever shows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

from sidekeep.flow.needle.gauge import GaugeReading
from sidekeep.model.news import News
from sidekeep.shelf.shelf_take import ShelfTake

Phase = Literal["opening", "armed", "recording", "run-out", "closing", "flip", "waiting", "done"]
Do = Literal["begin", "end", "again", "discard", "keep", "side-is", "first", "stop"]


@dataclass(frozen=True, kw_only=True)
class Act:
    """What a person wants. ``side`` goes with ``side-is`` and ``first``; ``why`` of a stop: ``key`` or ``signal``.

    ``take`` is the open take the person saw, empty when they saw none; None of those who look at nothing. An act that means
    another take than the one it meets is not done.
    """

    do: Do
    side: str = ""
    why: str = "key"
    take: str | None = None


@dataclass(frozen=True, kw_only=True)
class TakeStatus:
    """How things stand. ``news`` is what is to be said now, oldest first, and mostly empty.

    ``live`` is what the follower has to tell (docs/live-news.md). ``safe_frames`` of the open take are on the disk, as the
    writer confirmed; ``elapsed_frames`` were heard.
    """

    phase: Phase
    side: str
    take: str = ""
    elapsed_frames: int = 0
    safe_frames: int = 0
    rate_hz: int
    reading: GaugeReading | None = None
    input_open: bool = False
    news: tuple[News, ...] = ()
    live: tuple[Mapping[str, Any], ...] = ()

    @property
    def elapsed_s(self) -> float:
        """Seconds of the open take."""
        return self.elapsed_frames / self.rate_hz


@dataclass(frozen=True, kw_only=True)
class TakeOptions:
    """What is taken. ``by_needle`` False waits for acts only. ``shortest_side_s`` counts where no times are printed.

    ``any_side`` takes sides that are not on the sleeve without asking; ``cap_hours``: a take that no lift ends is closed and
    goes on as another; ``status_every_s``: how often things are told without news; ``answer_s``: so long the evening waits
    when the last side was taken and is perhaps another.
    """

    sides: tuple[str, ...]
    stylus: str = ""
    input_name: str = ""
    by_needle: bool = True
    any_side: bool = False
    shortest_side_s: float = 45.0
    cap_hours: float = 4.0
    status_every_s: float = 0.2
    answer_s: float = 600.0


class Follower(Protocol):
    """Somebody who reads a take while it grows. Called from the session's thread; must not block or raise."""

    def begun(self, path: Path, take_folder: Path, side: str) -> None:
        """``path`` is there and grows."""

    def ended(self, path: Path) -> None:
        """The file is whole; its checksum is not taken yet."""

    def closed(self, take: ShelfTake) -> None:
        """``take.json`` is written; again when the take turns out to be another side."""

    def dropped(self, path: Path) -> None:
        """It was no side: the file goes to the bin."""

    def poll(self) -> list[Mapping[str, Any]]:
        """What the follower has to tell; asked a few times a second."""

    def close(self) -> None:
        """The evening is over."""


class NoFollower:
    """Nobody reads along."""

    def begun(self, path: Path, take_folder: Path, side: str) -> None:
        """Nothing."""

    def ended(self, path: Path) -> None:
        """Nothing."""

    def closed(self, take: ShelfTake) -> None:
        """Nothing."""

    def dropped(self, path: Path) -> None:
        """Nothing."""

    def poll(self) -> list[Mapping[str, Any]]:
        """Nothing to tell."""
        return []

    def close(self) -> None:
        """Nothing."""
