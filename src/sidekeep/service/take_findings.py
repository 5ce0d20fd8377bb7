"""What was told while a take was recorded, as findings of the take, so that a report a year later still says it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sidekeep.errors import ShelfError
from sidekeep.model.finding import Finding
from sidekeep.model.news import News
from sidekeep.shelf.shelf_take import read_take

_LOST = ("loss", "steady-loss", "overflow", "stall")
_CUT = (
    "unexpected-end",
    "goes-on",
    "input-gone",
    "input-moved",
    "not-written",
    "next-place",
    "disk-low",
    "cap",
)


def take_findings(path: Path) -> list[Finding]:
    """Findings from the ``take.json`` beside a recorded file; none for a file that is no take."""
    if not (path.parent / "take.json").is_file():
        return []
    try:
        notes = read_take(path.parent, path.parent.parent.parent).notes
    except (ShelfError, ValueError):
        return []
    return findings_of_notes(notes)


def findings_of_notes(notes: Sequence[News]) -> list[Finding]:
    """Those of the notes of a take that tell of its sound."""
    return [finding for note in notes if (finding := _finding(note)) is not None]


def _seconds(note: News, name: str) -> float:
    value = note.facts.get(name)
    return float(value) if isinstance(value, int | float) else 0.0


def _finding(note: News) -> Finding | None:
    at = max(0, note.at_frame)
    if note.code in _LOST:
        return Finding(
            kind="lost-sound",
            start_frame=at,
            stop_frame=at,
            severity="act" if note.severity == "act" else "look",
            facts={
                name: float(value)
                for name in ("lost_s", "within_s")
                if isinstance(value := note.facts.get(name), int | float)
            },
        )
    if note.code == "lowered-again":
        return Finding(
            kind="needle-lifted",
            start_frame=at,
            stop_frame=at,
            severity="act",
            facts={"lifted_s": _seconds(note, "lifted_s")},
        )
    if note.code == "pieces-meet":
        return Finding(
            kind="pieces-meet",
            start_frame=at,
            stop_frame=at,
            severity="act" if note.severity == "act" else "look",
            facts=note.facts,
        )
    if note.code in _CUT:
        return Finding(
            kind="cut-short",
            start_frame=at,
            stop_frame=at,
            severity="act" if note.severity == "act" else "look",
        )
    return None
