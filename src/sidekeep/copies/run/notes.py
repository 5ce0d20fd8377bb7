"""What a run tells the person, as findings and as the one line of an error."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sidekeep.copies.kept.history import History
from sidekeep.copies.plan.planned import CopyPlan
from sidekeep.errors import Cancelled, CopyError, SidekeepError
from sidekeep.files.atomic import copy_error
from sidekeep.flow.progress import Progress
from sidekeep.model.finding import Finding, Severity


def lowered_finding(kind: str, lowered_db: float, ceiling_dbtp: float) -> Finding:
    """A lossy kind had to be made lower."""
    return Finding(
        kind="lossy-lowered",
        start_frame=0,
        stop_frame=0,
        text=f"the {kind} copies were made {lowered_db:.1f} dB lower, all alike, because "
        f"decoding would have passed {ceiling_dbtp:g} dBTP",
        evidence={"lowered_db": lowered_db},
    )


def clipped_finding(samples: int) -> Finding:
    """Exact copies could not hold what was fed."""
    return Finding(
        kind="copies-clipped",
        start_frame=0,
        stop_frame=0,
        severity="look",
        text=f"{samples} samples lay past full scale and were held there; choose a lower level",
        evidence={"samples": float(samples)},
    )


def moved_finding(folder: Path, before: Sequence[Path]) -> Finding:
    """Copies of the same takes stood under another name."""
    if len(before) == 1:
        text = (
            f"the folder {before[0].name} was renamed to {folder.name}: it holds the copies of the same takes"
        )
    else:
        names = "; ".join(path.name for path in before)
        text = (
            f"copies of the same takes also stand in {names}; keep the folder you want and remove the others"
        )
    return _note("copies-moved", text, "note" if len(before) == 1 else "look")


def kept_findings(
    left: Sequence[str], history: History, plan: CopyPlan, master_aside: Path | None = None
) -> list[Finding]:
    """What was left alone: files that are not as they were made, and copies of sides that were not made now."""
    findings = []
    if left:
        what = (
            "1 file of an earlier run was" if len(left) == 1 else f"{len(left)} files of an earlier run were"
        )
        findings.append(
            _note("copies-kept", f"{what} changed since and stays where it is (first: {left[0]})", "look")
        )
    if master_aside is not None:
        findings.append(
            _note(
                "copies-kept",
                f"the earlier master holds takes or files that the new one does not; it is kept in {master_aside.name}",
                "look",
            )
        )
    now = {side.side for side in plan.sides}
    others = {side for each in history.files.values() if each.kind in plan.kinds for side in each.sides} - now
    if others:
        findings.append(
            _note(
                "copies-of-some-sides",
                f"the copies of side {', '.join(sorted(others))} were left as they are; for one level over the "
                "whole record make all sides together",
                "look",
            )
        )
    return findings


def _note(kind: str, text: str, severity: Severity) -> Finding:
    return Finding(kind=kind, start_frame=0, stop_frame=0, severity=severity, text=text)


def raise_first(failures: Sequence[BaseException], folder: Path) -> None:
    """Raise the first real failure, one that was not only the echo of another, in one line."""
    if not failures:
        return
    first = next((each for each in failures if not isinstance(each, Cancelled)), failures[0])
    if isinstance(first, OSError):
        raise copy_error(first, folder) from first
    if isinstance(first, SidekeepError) or not isinstance(first, Exception):
        raise first
    raise CopyError(f"the copies could not be written ({type(first).__name__}: {first})") from first


def rising(progress: Progress) -> Progress:
    """The same progress, never going back: jobs can be added while others end."""
    highest = 0.0

    def report(share: float, doing: str = "") -> None:
        nonlocal highest
        highest = max(highest, share)
        progress(highest, doing)

    return report
