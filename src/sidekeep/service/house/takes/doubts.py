"""What a page is told of the findings of a take: as lines, and as what a person should look at, side by side of a record."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sidekeep.flow.passes.contract import facts_object
from sidekeep.model.cuts import SideCuts
from sidekeep.model.finding import Finding
from sidekeep.shelf.choices.choices import Choices
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.wording.findings import finding_text, told

SURE = 0.6
"""A track start below this confidence, not set by hand, is worth a look."""


def findings_of_side(side: SideCuts, sides: Sequence[SideCuts], findings: Iterable[Finding]) -> list[Finding]:
    """The findings of a take that belong to one of its ``sides``: those where it plays. What lies between two sides belongs
    to the one before it; what is about the whole take, or lies before the first needle, to the first."""
    order = sorted(sides, key=lambda each: each.needle_down_frame)

    def owner(finding: Finding) -> str:
        begun = [each for each in order if each.needle_down_frame <= finding.start_frame]
        return (begun[-1] if begun else order[0]).side

    return [finding for finding in findings if not order or owner(finding) == side.side]


def marks_looked_for(side: SideCuts, take: ShelfTake, choices: Choices) -> list[Finding]:
    """What has become of a person's marks of an earlier take; of those that were not found until they cut this one too."""
    is_found = choices.carried.get((take.folder_name, side.side))
    if is_found is None or is_found != side.is_a_persons:
        return []
    return [
        Finding(
            kind="marks-carried" if is_found else "marks-not-carried",
            start_frame=side.needle_down_frame,
            stop_frame=side.needle_up_frame,
            severity="look" if is_found else "act",
            facts={"side": side.side, "take": take.folder_name},
        )
    ]


def unsure_view(
    side: SideCuts, findings: Iterable[Finding], take: ShelfTake, choices: Choices
) -> list[dict[str, Any]]:
    """What a person should look at on a side of a take, in the order of the music; not what they have seen already."""
    doubts = [
        {
            "id": f"{side.side}-start-{track.number}",
            "kind": "track-start",
            "side": side.side,
            "track": track.number,
            "frame": track.start_frame,
            "confidence": round(track.confidence, 3),
            "why": {"code": "unsure-start", "facts": {"boundary": track.boundary}},
        }
        for track in side.tracks
        if track.confidence < SURE and not track.edited
    ]
    for finding in [*marks_looked_for(side, take, choices), *findings]:
        finding_id = f"{side.side}-{finding.kind}-{finding.start_frame}-{finding.channel}"
        is_doubt = finding.severity != "note" and finding.kind != "unsure-start"
        if is_doubt and choices.seen.get(finding_id) != take.sha256[:16]:
            doubts.append(
                {
                    "id": finding_id,
                    "kind": "finding",
                    "side": side.side,
                    "track": None,
                    "frame": finding.start_frame,
                    "why": {
                        "code": finding.kind,
                        "facts": facts_object(finding),
                        "text": finding_text(finding, take.rate_hz),
                    },
                }
            )
    return sorted(doubts, key=lambda doubt: int(str(doubt["frame"])))


def findings_view(findings: Iterable[Finding], rate_hz: int) -> list[dict[str, Any]]:
    """Findings of a take, all of a kind as one line, with their places in frames."""
    return [
        {
            "code": line.kind,
            "facts": facts_object(line.findings[0]),
            "text": line.text,
            "severity": line.severity,
            "channel": line.channel,
            "start_frame": line.start_frame,
            "stop_frame": line.stop_frame,
            "places": [
                {"start_frame": each.start_frame, "stop_frame": each.stop_frame, "channel": each.channel}
                for each in line.findings
            ],
        }
        for line in told(findings, rate_hz)
    ]
