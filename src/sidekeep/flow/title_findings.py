"""What a person should know about titles: which tracks have none that is sure, and why.

Conventions: read from the cuts and the sleeve alone, so that a correction by the person takes the finding away. Kinds:
``other-side``, ``track-order``, ``untitled-track``, ``track-count``. Lines and tracks are counted from 1 on their side.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from sidekeep.flow.titles import name_of_track
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.model.finding import Finding, Severity
from sidekeep.model.record import Side

TITLE_KINDS = ("other-side", "track-order", "untitled-track", "track-count")


def title_findings(cuts: Cuts, sides: Sequence[Side]) -> list[Finding]:
    """Findings on every side whose printed tracks and found ones are not surely the same."""
    printed = {side.name: side for side in sides}
    found: list[Finding] = []
    for side in cuts.sides:
        if (listed := printed.get(side.side)) is not None and listed.tracks and side.tracks:
            found += _of_side(side, listed)
    return found


def _of_side(side: SideCuts, printed: Side) -> list[Finding]:
    untitled = [track for track in side.tracks if not track.title]
    if side.likely_side and untitled:
        return [_other_side(side)]
    order = _order(side, printed) if untitled else None
    if order is not None:
        return [order]
    absent = _absent(side, printed)
    if untitled:
        return [_untitled(side, printed, untitled, absent)]
    if absent or len(side.tracks) != len(printed.tracks):
        return [_count(side, printed, absent)]
    return []


def _other_side(side: SideCuts) -> Finding:
    other = side.likely_side
    text = (
        f"Side {side.side}: the tracks are as long as those printed for side {other}, so this seems to be side {other}. "
        f"No titles were given. If it is side {other}, say so with --sides, or swap the sides of the record on the shelf; "
        f"if it is side {side.side} after all, --titles printed gives the titles in the sleeve's order."
    )
    return _finding("other-side", "act", side, side.tracks, text)


def _order(side: SideCuts, printed: Side) -> Finding | None:
    """Lengths that fit the printed times in another order."""
    lines = [track.line for track in side.tracks if track.line]
    falls = any(later < earlier for earlier, later in itertools.pairwise(lines))
    if not falls or len(set(lines)) != len(lines) or max(lines) > len(printed.tracks):
        return None
    moved = [track for track in side.tracks if track.line and not track.title]
    pairs = ", ".join(
        f"track {track.number} is as long as {printed.tracks[track.line - 1].title!r}" for track in moved
    )
    text = (
        f"Side {side.side}: the tracks seem to be pressed in another order than printed: {pairs}. They are called "
        f"{_names(side, moved)} until you choose: --titles heard goes by the lengths, --titles printed by the sleeve."
    )
    return _finding("track-order", "act", side, moved, text)


def _absent(side: SideCuts, printed: Side) -> list[str]:
    """Titles of the sleeve that no track has, nor may have."""
    lines = {track.line for track in side.tracks}
    given = {track.title for track in side.tracks}
    return [
        line.title
        for number, line in enumerate(printed.tracks, start=1)
        if number not in lines and line.title not in given
    ]


def _untitled(side: SideCuts, printed: Side, untitled: Sequence[Track], absent: Sequence[str]) -> Finding:
    text = f"Side {side.side}: {_counted(side, printed)}"
    text += "Not found: " + ", ".join(repr(title) for title in absent) + ". " if absent else ""
    text += (
        f"Which title is whose is not sure for {_numbers(untitled)}: "
        f"called {_names(side, untitled)}. Listen, then write the titles into cuts.toml"
    )
    if len(side.tracks) == len(printed.tracks):
        text += ", or take the sleeve's order with --titles printed"
    return _finding("untitled-track", "act", side, untitled, text + ".")


def _count(side: SideCuts, printed: Side, absent: Sequence[str]) -> Finding:
    text = f"Side {side.side}: {_counted(side, printed)}"
    text += "Not found: " + ", ".join(repr(title) for title in absent) + ". " if absent else ""
    return _finding("track-count", "look", side, side.tracks, text + "Check the marks and the titles.")


def _counted(side: SideCuts, printed: Side) -> str:
    if len(side.tracks) == len(printed.tracks):
        return ""
    lines, tracks = len(printed.tracks), len(side.tracks)
    return f"the sleeve lists {lines} track{'s' * (lines != 1)}, {tracks} {'was' if tracks == 1 else 'were'} found. "


def _numbers(tracks: Sequence[Track]) -> str:
    numbers = [str(track.number) for track in tracks]
    return (
        f"track {numbers[0]}" if len(numbers) == 1 else f"tracks {', '.join(numbers[:-1])} and {numbers[-1]}"
    )


def _names(side: SideCuts, tracks: Sequence[Track]) -> str:
    names = [repr(name_of_track(side.side, track.number)) for track in tracks]
    return names[0] if len(names) == 1 else f"{names[0]} and so on"


def _finding(kind: str, severity: Severity, side: SideCuts, tracks: Sequence[Track], text: str) -> Finding:
    return Finding(
        kind=kind,
        start_frame=tracks[0].start_frame,
        stop_frame=tracks[-1].stop_frame,
        severity=severity,
        text=text,
        evidence={
            "found": float(len(side.tracks)),
            "without_title": float(sum(not track.title for track in side.tracks)),
        },
    )
