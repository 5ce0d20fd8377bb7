"""What a page is told of the session at work, and of a reading of the level: plain values, ready for JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from sidekeep.errors import SidekeepError
from sidekeep.flow.needle.gauge import GaugeReading
from sidekeep.model.news import News
from sidekeep.service.recording.sides_due import is_turned_over

NEWS_KEPT = 200


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
    names: list[str] = field(default_factory=list)
    """Folders of the takes of ``taken``, one for one: the same in the bin as beside it."""
    news: list[dict[str, Any]] = field(default_factory=list)

    def hear(self, news: News) -> None:
        """Something that happened: which sides are taken by now."""
        self.news = [*self.news, news.as_object()][-NEWS_KEPT:]
        name = news.take.rpartition("/")[2]
        if news.code == "taken":
            self.taken.append(news.side)
            self.names.append(name)
        elif news.code == "side-is" and not self.take:
            was = str(news.facts["was"])
            if was in self.taken:
                at = len(self.taken) - 1 - self.taken[::-1].index(was)
                self.taken[at], self.names[at] = news.side, name
        elif news.code == "false-start" and name in self.names:
            at = self.names.index(name)
            del self.taken[at], self.names[at]

    def view(self) -> dict[str, Any]:
        """As a page sees it."""
        turned = bool(self.taken) and is_turned_over(self.taken[-1], self.side)
        then = {"copies": list(self.then_copies)}
        shown = {name: value for name, value in asdict(self).items() if name != "names"}
        return {**shown, "sides": list(self.sides), "then": then, "turned": turned}


def reading_view(reading: GaugeReading) -> dict[str, Any]:
    """A reading as plain values, the advice as code and facts."""
    values = {name: value for name, value in vars(reading).items() if name != "advice"}
    return {**values, "advice": reading.advice.as_object()}


def told(error: SidekeepError) -> dict[str, Any]:
    """A refusal as a page sees it."""
    return {"code": error.code, "facts": dict(error.facts), "text": str(error)}
