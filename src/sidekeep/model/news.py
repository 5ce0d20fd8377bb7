"""Something a person should hear at once: a code with facts, no words. Skins word it.

``at_frame`` counts in the take named by ``take`` (``takes/A-1``), -1 where no take is meant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import msgspec

from sidekeep.model.finding import Fact, Severity


@dataclass(frozen=True, kw_only=True)
class News:
    """``note`` is good to know, ``look`` wants an eye, ``act`` wants something done. Codes: docs/news.md."""

    code: str
    facts: Mapping[str, Fact] = field(default_factory=dict)
    severity: Severity = "note"
    side: str = ""
    take: str = ""
    at_frame: int = -1

    def as_object(self) -> dict[str, Any]:
        """For JSON."""
        values: dict[str, Any] = msgspec.to_builtins(self)
        return {**values, "weight": self.severity}

    @classmethod
    def from_object(cls, value: Mapping[str, Any]) -> News:
        """What ``as_object`` gave. Raises ValueError for anything else."""
        try:
            return msgspec.convert(with_severity(value), cls)
        except msgspec.ValidationError as error:
            raise ValueError(str(error)) from None


def with_severity(value: Any) -> Any:
    """Plain news with its severity under the one name. It was called ``weight`` once: that name is written beside it and
    read where it stands alone (docs/json.md: no field is ever renamed)."""
    if isinstance(value, Mapping) and "weight" in value:
        return {"severity": value["weight"], **value}
    return value
