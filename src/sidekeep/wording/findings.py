"""Findings in plain words: one sentence for one finding, one line for all of a kind.

This is the only place where a finding gets its sentence: terminal, JSON, report and page ask here. Sentences say what is, how
much, and what to do; they name no option of a command and no button of the page, which each skin adds for itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sidekeep.model.finding import SEVERITY_WORDS, Channel, Finding, Severity
from sidekeep.wording import of_comparisons, of_copies, of_files, of_levels, of_sides
from sidekeep.wording.about import About, Say, SayAll

_SUBJECTS = (of_files, of_levels, of_sides, of_copies, of_comparisons)
WORDS: Mapping[str, Say] = {kind: say for subject in _SUBJECTS for kind, say in subject.WORDS.items()}
"""The sentence of one finding, by kind."""
MANY: Mapping[str, SayAll] = {kind: say for subject in _SUBJECTS for kind, say in subject.MANY.items()}
"""The line of several findings of one kind, where a line can hold them."""


@dataclass(frozen=True, kw_only=True)
class Told:
    """A line for a person: one finding, or all of a kind on one take (``findings``, in the order of the music)."""

    kind: str
    severity: Severity
    text: str
    findings: tuple[Finding, ...]

    @property
    def start_frame(self) -> int:
        """Where the first begins."""
        return self.findings[0].start_frame

    @property
    def stop_frame(self) -> int:
        """Where the last ends."""
        return max(finding.stop_frame for finding in self.findings)

    @property
    def channel(self) -> Channel:
        """The channel when all are in one, else both."""
        channels = {finding.channel for finding in self.findings}
        return channels.pop() if len(channels) == 1 else "both"


def finding_text(finding: Finding, rate_hz: int) -> str:
    """The sentence of one finding of a take at ``rate_hz``."""
    say = WORDS.get(finding.kind)
    try:
        return say(About(finding, rate_hz)) if say else _bare(finding)
    except KeyError:
        return _bare(finding)


def told(findings: Iterable[Finding], rate_hz: int) -> list[Told]:
    """Findings of one take as lines, in their order; those of a kind that a line can hold stand where the first stood."""
    lines: dict[object, list[Finding]] = {}
    for index, finding in enumerate(findings):
        lines.setdefault(finding.kind if finding.kind in MANY else index, []).append(finding)
    return [_line(those, rate_hz) for those in lines.values()]


def _line(those: Sequence[Finding], rate_hz: int) -> Told:
    ordered = sorted(those, key=lambda finding: finding.start_frame)
    pressing = list(SEVERITY_WORDS)
    return Told(
        kind=ordered[0].kind,
        severity=min((finding.severity for finding in ordered), key=pressing.index),
        text=_all_text(ordered, rate_hz),
        findings=tuple(ordered),
    )


def _all_text(those: Sequence[Finding], rate_hz: int) -> str:
    if len(those) == 1:
        return finding_text(those[0], rate_hz)
    try:
        return MANY[those[0].kind]([About(finding, rate_hz) for finding in those])
    except KeyError:
        return _bare(those[0])


def _bare(finding: Finding) -> str:
    """Code and facts: what is left of a finding kept by another version."""
    facts = ", ".join(f"{name} {value}" for name, value in finding.facts.items())
    return f"{finding.kind}: {facts}." if facts else f"{finding.kind}."
