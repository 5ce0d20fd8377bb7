"""Something a person should hear at once: a code with facts, no words. Skins word it.

``at_frame`` counts in the take named by ``take`` (``takes/A-1``), -1 where no take is meant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sidekeep.model.finding import Fact
from sidekeep.model.finding import Severity as Weight


@dataclass(frozen=True, kw_only=True)
class News:
    """``note`` is good to know, ``look`` wants an eye, ``act`` wants something done. Codes: docs/news.md."""

    code: str
    facts: Mapping[str, Fact] = field(default_factory=dict)
    weight: Weight = "note"
    side: str = ""
    take: str = ""
    at_frame: int = -1

    def as_object(self) -> dict[str, Any]:
        """For JSON."""
        facts = {
            name: list(value) if isinstance(value, tuple) else value for name, value in self.facts.items()
        }
        return {
            "code": self.code,
            "facts": facts,
            "weight": self.weight,
            "side": self.side,
            "take": self.take,
            "at_frame": self.at_frame,
        }

    @classmethod
    def from_object(cls, value: Mapping[str, Any]) -> News:
        """What ``as_object`` gave. Raises KeyError, TypeError or ValueError for anything else."""
        facts = {
            str(name): tuple(fact) if isinstance(fact, list) else fact
            for name, fact in dict(value.get("facts", {})).items()
        }
        weight = value.get("weight", "note")
        if weight not in ("note", "look", "act"):
            raise ValueError(f"weight={weight!r}")
        return cls(
            code=str(value["code"]),
            facts=facts,
            weight=weight,
            side=str(value.get("side", "")),
            take=str(value.get("take", "")),
            at_frame=int(value.get("at_frame", -1)),
        )
