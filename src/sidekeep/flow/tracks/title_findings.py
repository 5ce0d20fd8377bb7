"""What a person should know about titles: which tracks have none that is sure, and why.

Conventions: read from the cuts and the sleeve alone, so that a correction by the person takes the finding away. Kinds:
``wrong-speed``, ``other-side``, ``track-order``, ``untitled-track``, ``track-count``, ``titles-by-order``.
Lines and tracks are counted from 1 on their side.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from sidekeep.flow.tracks.titles import TITLE_SURE, name_of_track
from sidekeep.flow.tracks.wrong_speed import WrongSpeed, wrong_speed
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.model.finding import Fact, Finding, Severity
from sidekeep.model.record import Side

TITLE_KINDS = (
    "wrong-speed",
    "other-side",
    "track-order",
    "untitled-track",
    "track-count",
    "titles-by-order",
)


def title_findings(cuts: Cuts, sides: Sequence[Side]) -> list[Finding]:
    """Findings on every side whose printed tracks and found ones are not surely the same."""
    printed = {side.name: side for side in sides}
    found: list[Finding] = []
    for side in cuts.sides:
        if (listed := printed.get(side.side)) is not None and listed.tracks and side.tracks:
            found += _of_side(side, listed, side.rate_hz or cuts.rate_hz)
    return found


def _of_side(side: SideCuts, printed: Side, rate_hz: int) -> list[Finding]:
    untitled = [track for track in side.tracks if not track.title]
    speed = wrong_speed(side, printed, rate_hz)
    if speed is not None:
        # Another order, or another side, fits times that are all wrong by chance only.
        return [_wrong_speed(side, speed), *([_untitled(side, printed, untitled, [])] if untitled else [])]
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
    by_order = _by_order(side, printed)
    return [by_order] if by_order is not None else []


def _other_side(side: SideCuts) -> Finding:
    return _finding("other-side", "act", side, side.tracks, likely_side=side.likely_side)


def _wrong_speed(side: SideCuts, speed: WrongSpeed) -> Finding:
    return _finding(
        "wrong-speed",
        "act" if len(side.tracks) > 1 else "look",
        side,
        side.tracks,
        times=speed.times,
        cut_rpm=speed.cut_rpm,
        played_rpm=speed.played_rpm,
    )


def _order(side: SideCuts, printed: Side) -> Finding | None:
    """Lengths that fit the printed times in another order."""
    lines = [track.line for track in side.tracks if track.line]
    falls = any(later < earlier for earlier, later in itertools.pairwise(lines))
    if not falls or len(set(lines)) != len(lines) or max(lines) > len(printed.tracks):
        return None
    moved = [track for track in side.tracks if track.line and not track.title]
    return _finding(
        "track-order",
        "act",
        side,
        moved,
        tracks=_numbers(moved),
        titles=tuple(printed.tracks[track.line - 1].title for track in moved),
        called=_names(side, moved),
    )


def _by_order(side: SideCuts, printed: Side) -> Finding | None:
    """Titles of which only the order on the sleeve says which is which: two lines and more without a time could change places,
    and nothing that is heard would be other."""
    untimed = [
        track
        for track in side.tracks
        if track.title
        and not track.edited
        and track.title_confidence >= TITLE_SURE
        and 0 < track.line <= len(printed.tracks)
        and not printed.tracks[track.line - 1].duration_s
    ]
    if len(untimed) < 2:
        return None
    return _finding("titles-by-order", "note", side, untimed, tracks=_numbers(untimed))


def _absent(side: SideCuts, printed: Side) -> list[str]:
    """Titles of the sleeve that no track has, nor may have. Where no title is sure, any may be the one that is missing."""
    if not any(track.title for track in side.tracks):
        return []
    lines = {track.line for track in side.tracks}
    given = {track.title for track in side.tracks}
    return [
        line.title
        for number, line in enumerate(printed.tracks, start=1)
        if number not in lines and line.title not in given
    ]


def _untitled(side: SideCuts, printed: Side, untitled: Sequence[Track], absent: Sequence[str]) -> Finding:
    return _finding(
        "untitled-track",
        "act",
        side,
        untitled,
        printed=len(printed.tracks),
        absent=tuple(absent),
        tracks=_numbers(untitled),
        called=_names(side, untitled),
    )


def _count(side: SideCuts, printed: Side, absent: Sequence[str]) -> Finding:
    return _finding(
        "track-count", "look", side, side.tracks, printed=len(printed.tracks), absent=tuple(absent)
    )


def _numbers(tracks: Sequence[Track]) -> tuple[str, ...]:
    return tuple(str(track.number) for track in tracks)


def _names(side: SideCuts, tracks: Sequence[Track]) -> tuple[str, ...]:
    return tuple(name_of_track(side.side, track.number) for track in tracks)


def _finding(
    kind: str, severity: Severity, side: SideCuts, tracks_of: Sequence[Track], **facts: Fact
) -> Finding:
    return Finding(
        kind=kind,
        start_frame=tracks_of[0].start_frame,
        stop_frame=tracks_of[-1].stop_frame,
        severity=severity,
        facts={
            "side": side.side,
            "found": len(side.tracks),
            "without_title": sum(not track.title for track in side.tracks),
            **facts,
        },
    )
