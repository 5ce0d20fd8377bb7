"""Findings as a person reads them on a terminal: one line for all of a kind, and how to answer it here."""

from __future__ import annotations

from collections.abc import Iterable

from sidekeep.cli.terminal.output import say
from sidekeep.cli.texts.answers import finding_answer
from sidekeep.model.finding import SEVERITY_WORDS, Finding
from sidekeep.wording.findings import told


def print_findings(findings: Iterable[Finding], rate_hz: int) -> None:
    """One line for all of a kind, in their order."""
    for line in told(findings, rate_hz):
        say(f"{SEVERITY_WORDS[line.severity]}: {line.text}{finding_answer(line.kind)}")
