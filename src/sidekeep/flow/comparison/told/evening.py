"""What other records showed that were played on the same two evenings: what all share is stylus, cartridge or chain, not one
disc."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sidekeep.model.finding import Fact

ALIKE_DB = 0.3
"""Two records that changed by the same cause agree this closely, or within half the change."""


@dataclass(frozen=True, kw_only=True)
class OtherRecord:
    """Changes of another record from one evening to the other, nan where not known: plain level, treble around 10 kHz
    against it, how much more the inner third's treble changed than the outer's, surface noise against the music, hum (all
    dB), and the share of distortion inside."""

    name: str
    level_db: float = math.nan
    treble_db: float = math.nan
    inward_db: float = math.nan
    groove_db: float = math.nan
    hum_db: float = math.nan
    distortion: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Shared:
    """How many other records changed alike, of how many that could tell."""

    alike: int
    asked: int

    @property
    def is_shared(self) -> bool:
        """Whether the cause is outside the disc: half of the others at least show it too."""
        return self.alike > 0 and 2 * self.alike >= self.asked

    @property
    def facts(self) -> dict[str, Fact]:
        """For the finding; nothing when there is no other record."""
        return {"alike": self.alike, "others": self.asked} if self.asked else {}


@dataclass(frozen=True, kw_only=True)
class Evening:
    """The other records, and the names of those taken on both evenings that were not compared yet."""

    others: Sequence[OtherRecord] = ()
    uncompared: Sequence[str] = ()

    def shared(self, what: str, value: float) -> Shared:
        """Whether others changed as this one did. ``what`` names a field of ``OtherRecord``; ``value`` is in its unit."""
        known = [getattr(other, what) for other in self.others]
        known = [one for one in known if math.isfinite(one)]
        within = max(ALIKE_DB, 0.5 * abs(value)) if what.endswith("_db") else 0.5 * abs(value)
        alike = sum(abs(one - value) <= within and one * value > 0.0 for one in known)
        return Shared(alike=alike, asked=len(known))
