"""A finding as its sentence sees it: facts by name, places as a clock shows them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from sidekeep.model.finding import Channel, Finding
from sidekeep.units import clock_text, frames_to_seconds
from sidekeep.units import count as count

SHOWN_PLACES = 6
"""Places that a line of many names before it says how many more there are."""
_CHANNELS: Mapping[Channel, str] = {"L": "the left channel", "R": "the right channel", "both": "the sound"}


@dataclass(frozen=True)
class About:
    """What a sentence may use of one finding of a take at ``rate_hz``. A fact that is missing raises KeyError."""

    finding: Finding
    rate_hz: int

    def number(self, name: str) -> float:
        """A fact that is a number."""
        value = self.finding.facts[name]
        if not isinstance(value, int | float):
            raise KeyError(name)
        return float(value)

    def whole(self, name: str) -> int:
        """A fact that counts something."""
        return round(self.number(name))

    def word(self, name: str) -> str:
        """A fact that is a name or a word; empty when there is none."""
        return str(self.finding.facts.get(name) or "")

    def words(self, name: str) -> tuple[str, ...]:
        """A fact that is a list of names; empty when there is none."""
        value = self.finding.facts.get(name)
        return value if isinstance(value, tuple) else tuple(value) if isinstance(value, list) else ()

    def says(self, name: str) -> bool:
        """A fact that is true or false; false when there is none."""
        return bool(self.finding.facts.get(name))

    def has(self, name: str) -> bool:
        """Whether there is such a fact."""
        return self.finding.facts.get(name) is not None

    def length(self, name: str, decimals: int = 0) -> str:
        """A fact in seconds, as a clock shows it."""
        return clock_text(self.number(name), decimals)

    def frames(self, name: str) -> str:
        """A fact in frames, as a clock shows it to the tenth of a second."""
        return clock_text(frames_to_seconds(self.whole(name), self.rate_hz), 1)

    @property
    def start(self) -> str:
        """Where it begins."""
        return clock_text(frames_to_seconds(self.finding.start_frame, self.rate_hz), 1)

    @property
    def stop(self) -> str:
        """Where it ends."""
        return clock_text(frames_to_seconds(self.finding.stop_frame, self.rate_hz), 1)

    @property
    def channel(self) -> str:
        """``the left channel``, ``the right channel``, ``the sound``."""
        return _CHANNELS[self.finding.channel]


Say = Callable[[About], str]
SayAll = Callable[[Sequence[About]], str]


def times(number: int) -> str:
    """``once``, ``twice``, ``3 times``."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def joined(parts: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""


def listed(parts: Sequence[str], between: str = ", ") -> str:
    """The first few of many, and how many more there are."""
    if len(parts) <= SHOWN_PLACES + 1:
        return between.join(parts)
    return f"{between.join(parts[:SHOWN_PLACES])} and {len(parts) - SHOWN_PLACES} more"


def places(all_of: Sequence[About]) -> list[str]:
    """Where they are, in the order of the music; what lies over each other in both channels is one place."""
    spans: list[tuple[int, int, str]] = []
    for each in sorted(all_of, key=lambda about: about.finding.start_frame):
        if spans and each.finding.start_frame < spans[-1][1]:
            start, stop, text = spans[-1]
            spans[-1] = (start, max(stop, each.finding.stop_frame), text)
        else:
            spans.append((each.finding.start_frame, each.finding.stop_frame, each.start))
    return [text for _, _, text in spans]


def kilohertz(hz: float) -> str:
    """``10.2 kHz``."""
    return f"{hz / 1000.0:.3g} kHz"


def rpm_text(rpm: float) -> str:
    """``33 1/3``, ``45``, ``78``."""
    return "33 1/3" if 33.0 < rpm < 34.0 else f"{rpm:.0f}"


def capital(text: str) -> str:
    """With a capital letter first, the rest as it is."""
    return text[:1].upper() + text[1:]
