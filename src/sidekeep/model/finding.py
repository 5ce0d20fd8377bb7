"""Something the tool noticed about a take: data, never an exception. Its sentence is made in ``sidekeep.wording``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Severity = Literal["note", "look", "act"]
Channel = Literal["L", "R", "both"]
Fact = str | int | float | bool | None | tuple[str, ...]
"""A plain value a sentence or a script can use."""

SEVERITY_WORDS: Mapping[Severity, str] = {"act": "Act", "look": "Look", "note": "Note"}
"""What a person reads of a severity, everywhere the same; the pressing ones first."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Kind, place and facts: named values with their units in the names (``length_ms``, ``hum_hz``).

    ``note`` is good to know, ``look`` wants a person's eye, ``act`` wants something done.
    ``kind`` is a short lower-case word with hyphens, documented in docs/findings.md; its words are in ``sidekeep.wording``.
    """

    kind: str
    start_frame: int
    stop_frame: int
    channel: Channel = "both"
    severity: Severity = "note"
    facts: Mapping[str, Fact] = field(default_factory=dict)

    def numbers(self) -> dict[str, float]:
        """The facts that are numbers."""
        return {
            name: float(value)
            for name, value in self.facts.items()
            if isinstance(value, int | float) and not isinstance(value, bool)
        }
