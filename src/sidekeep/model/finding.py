"""Something the tool noticed about a take: data, never an exception."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Severity = Literal["note", "look", "act"]
Channel = Literal["L", "R", "both"]

SEVERITY_WORDS: Mapping[Severity, str] = {"act": "Act", "look": "Look", "note": "Note"}
"""What a person reads of a severity, everywhere the same; the pressing ones first."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Kind, place, size, evidence, and in ``text`` what it means and what to do, in plain words.

    ``note`` is good to know, ``look`` wants a person's eye, ``act`` wants something done.
    ``kind`` is a short lower-case word with hyphens, documented in docs/findings.md.
    """

    kind: str
    start_frame: int
    stop_frame: int
    channel: Channel = "both"
    severity: Severity = "note"
    text: str = ""
    evidence: Mapping[str, float] = field(default_factory=dict)
