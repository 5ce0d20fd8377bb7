"""What finding the tracks noticed that a person should know.

Conventions: one finding a fact, with its place in frames. Kinds: ``unsure-start``, ``printed-time``, ``no-needle-down``,
``no-needle-up``, ``sides-joined``, ``sides-unbroken``, ``locked-groove``, ``unused-play``, ``side-missing``.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence, Set

from sidekeep.dsp.tracks.division import Division
from sidekeep.dsp.tracks.locked_groove import find_locked_groove
from sidekeep.flow.tracks.side_features import Features, PlayedPart
from sidekeep.model.cuts import SideCuts, Track
from sidekeep.model.finding import Finding
from sidekeep.model.record import Side, SleeveTrack

SURE = 0.8
"""Under it a mark is to be looked at: one in five such is wrong, if the confidence is right."""
_WRONG_TIME_S = 4.0
_WRONG_TIME_SHARE = 0.03
_FAR_WRONG_S = 20.0
"""Off by more than that it may be another track than the line says: a misprint is one digit mostly, so 10 s or a minute (chosen
here)."""
"""Printed times are rounded, leave out gaps of 1 to 3 s, and a player is up to 3 % off (common practice, no source)."""


def plays_finding(features: Features, unused: Sequence[PlayedPart], missing: Sequence[Side]) -> list[Finding]:
    """Plays that belong to no side, and sides that were not found."""
    found = []
    for part in unused:
        start, stop = features.frame(part.play.down), features.frame(part.play.up)
        found.append(Finding(kind="unused-play", start_frame=start, stop_frame=stop, severity="look"))
    for side in missing:
        found.append(
            Finding(
                kind="side-missing",
                start_frame=0,
                stop_frame=features.table.length_frames,
                severity="look",
                facts={"side": side.name},
            )
        )
    return found


def cut_findings(
    features: Features,
    sides: Sequence[SideCuts],
    division: Division,
    listed: Sequence[SleeveTrack],
    part: PlayedPart,
) -> list[Finding]:
    """Findings about one play that was cut into ``sides``."""
    found: list[Finding] = []
    for side in sides:
        found += [f for track in side.tracks if (f := _unsure(side, track, features.rate_hz)) is not None]
    found += _unbroken(sides)
    needle = _needle(features, sides, part)
    cut = {finding.kind for finding in needle if finding.facts.get("is_music_cut")}
    found += _times(features, sides, division, listed, cut)
    return found + needle


def _unsure(side: SideCuts, track: Track, rate_hz: int) -> Finding | None:
    if track.confidence >= SURE:
        return None
    return Finding(
        kind="unsure-start",
        start_frame=max(0, track.start_frame - 2 * rate_hz),
        stop_frame=track.start_frame + 2 * rate_hz,
        severity="look",
        facts={
            "side": side.side,
            "track": track.number,
            "at_s": track.start_frame / rate_hz,
            "boundary": track.boundary,
            "confidence": track.confidence,
        },
    )


def _times(
    features: Features,
    sides: Sequence[SideCuts],
    division: Division,
    listed: Sequence[SleeveTrack],
    cut: Set[str],
) -> list[Finding]:
    """Printed times that cannot be right beside what was found. Of a track that the take does not hold whole (``cut``: the kinds
    that say so) nothing is said."""
    found = []
    places = [(side, track) for side in sides for track in side.tracks]
    for at, ((side, track), line) in enumerate(zip(places, division.listed, strict=False)):
        printed = listed[line].duration_s if line >= 0 else None
        if printed is None or track.confidence < SURE:
            continue
        if (at == 0 and "no-needle-down" in cut) or (at == len(places) - 1 and "no-needle-up" in cut):
            continue
        heard = features.music_s(track.start_frame, track.stop_frame) * division.speed
        following = next(
            (t.start_frame for t in side.tracks if t.number == track.number + 1), track.stop_frame
        )
        with_gap = max(heard, features.music_s(track.start_frame, following) * division.speed)
        error = max(printed - with_gap, heard - printed)
        if error > _WRONG_TIME_S + _WRONG_TIME_SHARE * printed:
            found.append(
                Finding(
                    kind="printed-time",
                    start_frame=track.start_frame,
                    stop_frame=track.stop_frame,
                    severity="look" if error > _FAR_WRONG_S else "note",
                    facts={
                        "side": side.side,
                        "track": track.number,
                        "printed_s": printed,
                        "heard_s": heard,
                    },
                )
            )
    return found


def _unbroken(sides: Sequence[SideCuts]) -> list[Finding]:
    """Where one side follows another within one play: the lengths alone say so, and a sleeve that lacks a line may fit too."""
    return [
        Finding(
            kind="sides-unbroken",
            start_frame=after.music_start_frame,
            stop_frame=after.music_stop_frame,
            severity="look",
            facts={"side": after.side, "sides": (before.side, after.side)},
        )
        for before, after in itertools.pairwise(sides)
    ]


def _needle(features: Features, sides: Sequence[SideCuts], part: PlayedPart) -> list[Finding]:
    """Ends of the play that the take does not hold, and the locked groove."""
    found = []
    first, last = sides[0], sides[-1]
    if part.play.joined:
        found.append(
            Finding(
                kind="sides-joined",
                start_frame=first.needle_down_frame,
                stop_frame=first.music_start_frame,
                facts={"side": first.side},
            )
        )
    elif not part.play.saw_down:
        early = first.music_start_frame < 0.2 * features.rate_hz
        found.append(
            Finding(
                kind="no-needle-down",
                start_frame=0,
                stop_frame=first.music_start_frame,
                severity="look" if early else "note",
                facts={"side": first.side, "is_music_cut": early},
            )
        )
    if not part.play.saw_up and part.play.up == len(features.table.bands_db):
        end = features.table.length_frames
        cut_off = end - last.music_stop_frame < 0.2 * features.rate_hz
        found.append(
            Finding(
                kind="no-needle-up",
                start_frame=last.music_stop_frame,
                stop_frame=end,
                severity="look" if cut_off else "note",
                facts={"side": last.side, "is_music_cut": cut_off},
            )
        )
    locked = find_locked_groove(features.table, features.hop(last.music_stop_frame), part.last)
    if locked is not None:
        found.append(
            Finding(
                kind="locked-groove",
                start_frame=features.frame(locked.start),
                stop_frame=features.frame(part.last),
                facts={"side": last.side, "period_s": locked.period_s, "strength": locked.strength},
            )
        )
    return found
