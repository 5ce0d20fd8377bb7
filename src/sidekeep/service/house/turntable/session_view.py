"""What a page is told of the session at work, and of a reading of the level: plain values, ready for JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from sidekeep.errors import SidekeepError
from sidekeep.flow.needle.gauge import GaugeReading
from sidekeep.service.recording.sides_due import is_turned_over


@dataclass
class SessionView:
    """The session as it is now; changed only under the lock of the turntable."""

    record: str
    sides: tuple[str, ...]
    then_copies: tuple[str, ...]
    by_needle: bool = True
    phase: str = "opening"
    side: str = ""
    take: str = ""
    elapsed_frames: int = 0
    safe_frames: int = 0
    rate_hz: int = 0
    input_open: bool = False
    taken: list[str] = field(default_factory=list)
    news: list[dict[str, Any]] = field(default_factory=list)

    def view(self) -> dict[str, Any]:
        """As a page sees it."""
        turned = bool(self.taken) and is_turned_over(self.taken[-1], self.side)
        then = {"copies": list(self.then_copies)}
        return {**asdict(self), "sides": list(self.sides), "then": then, "turned": turned}


def reading_view(reading: GaugeReading) -> dict[str, Any]:
    """A reading as plain values, the advice as code and facts."""
    values = {name: value for name, value in vars(reading).items() if name != "advice"}
    return {**values, "advice": reading.advice.as_object()}


def told(error: SidekeepError) -> dict[str, Any]:
    """A refusal as a page sees it."""
    return {"code": error.code, "facts": dict(error.facts), "text": str(error)}
