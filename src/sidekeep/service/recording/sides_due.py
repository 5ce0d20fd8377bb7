"""Which side is due, and which come after it."""

from __future__ import annotations

from collections.abc import Sequence


def is_turned_over(before: str, side: str) -> bool:
    """Whether ``side`` is the back of the disc that was played: A and B are one disc, C and D the next (common practice, no
    source). Names of other kinds are those of singles, which are one disc."""
    if not all(len(each) == 1 and "A" <= each <= "Z" for each in (before, side)):
        return before != side
    return before != side and (ord(before) - ord("A")) // 2 == (ord(side) - ord("A")) // 2


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

    def let_first(self, side: str, *, is_taken: bool) -> None:
        """A side is played before the one that is due, which follows it unless it ``is_taken``. Without a name it is the one
        after, and what was due comes last."""
        if not side:
            if self.waiting:
                self.waiting.append(self.side)
                self.side = self.waiting.pop(0)
            return
        before = [] if is_taken or self.side == side else [self.side]
        self.waiting = [*before, *(each for each in self.waiting if each != side)]
        self.side = side

    def taken_is(self, side: str, was: str) -> None:
        """What was taken as ``was`` is ``side``: then ``was`` is due, and after it what was due before."""
        self.waiting = [each for each in (self.side, *self.waiting) if each not in (side, was)]
        self.side = was

    def open_is(self, side: str, was: str) -> None:
        """What is being recorded as ``was`` is ``side``: then ``was`` comes next."""
        self.waiting = [was, *(each for each in self.waiting if each not in (side, was))]
        self.side = side
