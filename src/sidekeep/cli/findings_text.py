"""Findings as a person reads them on a terminal: one line for all of a kind, and how to answer it here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sidekeep.model.finding import SEVERITY_WORDS, Finding
from sidekeep.wording.findings import told

_ANSWERS: Mapping[str, str] = {
    "other-side": "--sides says which side it is; --titles printed takes the titles in the sleeve's order",
    "track-order": "--titles heard goes by the lengths, --titles printed by the sleeve",
    "untitled-track": "titles are written into cuts.toml; --titles printed takes the sleeve's order",
    "side-missing": "--sides names the sides of a recording",
    "take-chosen": "the choice is written as [use] in record.toml",
    "copies-clipped": "--level chooses the level",
}
"""What a person can say on the command line, for the kinds that ask for a choice."""


def print_findings(findings: Iterable[Finding], rate_hz: int) -> None:
    """One line for all of a kind, in their order."""
    for line in told(findings, rate_hz):
        answer = _ANSWERS.get(line.kind)
        print(f"{SEVERITY_WORDS[line.severity]}: {line.text}{f' ({answer})' if answer else ''}")
