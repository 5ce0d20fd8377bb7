"""Findings as a person reads them: one line each."""

from __future__ import annotations

from collections.abc import Iterable

from sidekeep.model.finding import SEVERITY_WORDS, Finding
from sidekeep.units import clock_text, frames_to_seconds


def print_findings(findings: Iterable[Finding], rate_hz: int) -> None:
    """One line each, the pressing ones first as they come."""
    for finding in findings:
        place = (
            clock_text(frames_to_seconds(finding.start_frame, rate_hz), 1) + "  "
            if finding.stop_frame
            else ""
        )
        print(f"{SEVERITY_WORDS[finding.severity]}: {place}{finding.text}")
