"""What a run tells the person, as findings and as the one line of an error."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sidekeep.errors import Cancelled, CopyError, SidekeepError
from sidekeep.files.atomic import copy_error
from sidekeep.flow.progress import Progress
from sidekeep.model.finding import Finding


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
