"""What a run tells the person, as findings and as the one line of an error."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from sidekeep.copies.kept.history import History
from sidekeep.copies.plan.planned import CopyPlan
from sidekeep.errors import Cancelled, CopyError, SidekeepError
from sidekeep.files.atomic import copy_error
from sidekeep.flow.progress import Progress
from sidekeep.model.finding import Fact, Finding, Severity


def lowered_finding(kind: str, lowered_db: float, ceiling_dbtp: float) -> Finding:
    """A lossy kind had to be made lower."""
    return Finding(
        kind="lossy-lowered",
        start_frame=0,
        stop_frame=0,
        facts={"copies": kind, "lowered_db": lowered_db, "ceiling_dbtp": ceiling_dbtp},
    )


def clipped_finding(samples: int) -> Finding:
    """Exact copies could not hold what was fed."""
    return Finding(
        kind="copies-clipped",
        start_frame=0,
        stop_frame=0,
        severity="look",
        facts={"samples": samples},
    )


def moved_finding(folder: Path, before: Sequence[Path]) -> Finding:
    """Copies of the same takes stood under another name."""
    facts: dict[str, Fact] = {"folder": folder.name, "before": tuple(path.name for path in before)}
    return _note("copies-moved", facts, "note" if len(before) == 1 else "look")


def kept_findings(
    left: Sequence[str], history: History, plan: CopyPlan, master_aside: Path | None = None
) -> list[Finding]:
    """What was left alone: files that are not as they were made, and copies of sides that were not made now."""
    findings = []
    if left:
        findings.append(_note("copies-kept", {"files": len(left), "first": left[0]}, "look"))
    if master_aside is not None:
        findings.append(_note("copies-kept", {"master": master_aside.name}, "look"))
    now = {side.side for side in plan.sides}
    others = {side for each in history.files.values() if each.kind in plan.kinds for side in each.sides} - now
    if others:
        findings.append(_note("copies-of-some-sides", {"sides": tuple(sorted(others))}, "look"))
    return findings


def _note(kind: str, facts: Mapping[str, Fact], severity: Severity) -> Finding:
    return Finding(kind=kind, start_frame=0, stop_frame=0, severity=severity, facts=facts)


def raise_first(failures: Sequence[BaseException], folder: Path) -> None:
    """Raise the first real failure, one that was not only the echo of another, in one line."""
    if not failures:
        return
    first = next((each for each in failures if not isinstance(each, Cancelled)), failures[0])
    if isinstance(first, OSError):
        raise copy_error(first, folder) from first
    if isinstance(first, SidekeepError) or not isinstance(first, Exception):
        raise first
    raise CopyError("copies-failed", type=type(first).__name__, reason=first) from first


def rising(progress: Progress) -> Progress:
    """The same progress, never going back: jobs can be added while others end."""
    highest = 0.0

    def report(share: float, doing: str = "") -> None:
        nonlocal highest
        highest = max(highest, share)
        progress(highest, doing)

    return report
