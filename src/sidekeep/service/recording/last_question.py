"""What is asked after the last side: the evening waits for the answer, but not for ever.

Moments are frames of the open input.
"""

from __future__ import annotations

from sidekeep.flow.needle.needle_watch import NeedleEvent
from sidekeep.model.news import News


class LastQuestion:
    """``doubt`` says what is asked: ``side`` (is it another one?), ``run-out`` (does music come back?), or nothing when empty."""

    def __init__(self) -> None:
        self.doubt = ""
        self._until = 0

    def ask(self, side: str, doubt: str, until_frame: int, answer_s: float) -> News:
        """Open the question; what the person is told of it."""
        self.doubt, self._until = doubt, until_frame
        return News(code="answer", side=side, facts={"minutes": answer_s / 60.0, "doubt": doubt})

    def is_answered_by(self, change: NeedleEvent) -> bool:
        """A lift says that no music comes back."""
        return self.doubt == "run-out" and change.state == "up"

    def is_over(self, now: int) -> bool:
        """Whether nobody has answered in time."""
        return bool(self.doubt) and now >= self._until

    def settle(self) -> bool:
        """Nothing is asked any more; whether something was."""
        was, self.doubt = self.doubt, ""
        return bool(was)
