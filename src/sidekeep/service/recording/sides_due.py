"""Which side is due, and which come after it."""

from __future__ import annotations

from collections.abc import Sequence


class SidesDue:
    """``side`` is the one that is waited for or recorded; ``waiting`` those after it, in order."""

    def __init__(self, sides: Sequence[str]) -> None:
        self.waiting = list(sides)
        self.side = self.waiting.pop(0) if self.waiting else ""

    def next(self) -> bool:
        """The side after this one is due; False when this was the last."""
        if not self.waiting:
            return False
        self.side = self.waiting.pop(0)
        return True

    def first(self, side: str) -> None:
        """A side is due (again) before everything else."""
        if side != self.side:
            self.waiting.insert(0, self.side)
            self.side = side

    def taken_is(self, side: str, was: str) -> None:
        """What was taken as ``was`` is ``side``: then ``was`` is due, and after it what was due before."""
        self.waiting = [each for each in (self.side, *self.waiting) if each not in (side, was)]
        self.side = was

    def open_is(self, side: str, was: str) -> None:
        """What is being recorded as ``was`` is ``side``: then ``was`` comes next."""
        self.waiting = [was, *(each for each in self.waiting if each not in (side, was))]
        self.side = side
