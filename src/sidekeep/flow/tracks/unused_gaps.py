"""Gaps after which no track begins, though they are as clear as the others: a title may be missing from the sleeve.

A sleeve without times says how many tracks there are, no more. With one title too few the side has a gap too many, and the
least likely of them is passed over, however clear it is. So every gap is asked once more, as if there were no sleeve.
"""

from __future__ import annotations

from collections.abc import Sequence

from sidekeep.dsp.tracks.boundaries import Place
from sidekeep.dsp.tracks.division import Division, divide
from sidekeep.flow.tracks.side_features import Features, PlayedPart
from sidekeep.model.cuts import SideCuts
from sidekeep.model.finding import Finding
from sidekeep.model.record import SleeveTrack

AS_CLEAR = 0.6
"""How sure a gap must be without a sleeve. On 34 pressed sides without printed times gaps that a sleeve one title short left over
had 0.62 and more, rests within the music 0.47 at most (2026-11-27)."""
_SAME_S = 2.0
"""A gap this near a mark is that mark's."""


def without_sleeve(places: Sequence[Place], hop_s: float) -> list[tuple[Place, float]]:
    """Every gap with how sure it is that a track begins after it, as if there were no sleeve. ``places``: those of a play, its
    first and last being the ends of the music."""
    nodes = [places[0], *(place for place in places[1:-1] if place.gap and not place.is_faint), places[-1]]
    free = divide(
        [place.stop * hop_s for place in nodes],
        [place.start * hop_s for place in nodes],
        [place.log_odds for place in nodes],
        None,
    )
    return [(place, float(sure)) for place, sure in zip(nodes[1:-1], free.posterior[1:-1], strict=True)]


def clear_gaps(places: Sequence[Place], hop_s: float) -> list[tuple[Place, float]]:
    """Those of them that are as clear as a gap between two tracks."""
    return [(place, sure) for place, sure in without_sleeve(places, hop_s) if sure >= AS_CLEAR]


def gaps_left_over(
    places: Sequence[Place], division: Division, hop_s: float
) -> list[tuple[int, Place, float]]:
    """The clear gaps that are no mark of ``division``, each with the index of its track and how sure it is without a sleeve."""
    used = {places[node].stop for node in division.nodes}
    marks_s = [places[node].start * hop_s for node in division.nodes]
    found = []
    for place, sure in clear_gaps(places, hop_s):
        at_s = place.start * hop_s
        if place.stop not in used and min(abs(at_s - mark_s) for mark_s in marks_s) > _SAME_S:
            found.append((sum(mark_s <= at_s for mark_s in marks_s) - 1, place, sure))
    return found


def unused_gaps(
    places: Sequence[Place], division: Division, listed: Sequence[SleeveTrack], hop_s: float
) -> list[tuple[Place, float]]:
    """Clear gaps inside a track of ``division`` whose printed time does not say that it goes on there; each with how sure it is
    without a sleeve."""
    found = []
    for track, place, sure in gaps_left_over(places, division, hop_s):
        line = division.listed[track]
        goes_on = (
            line >= 0 and listed[line].duration_s is not None and float(division.fits[track, line]) > 0.0
        )
        if not goes_on:
            found.append((place, sure))
    return found


def gap_findings(
    features: Features,
    part: PlayedPart,
    sides: Sequence[SideCuts],
    unused: Sequence[tuple[Place, float]],
) -> list[Finding]:
    """A finding for every gap that was not used on the sides of one play. Kind: ``gap-unused``."""
    found = []
    for place, sure in unused:
        start, stop = (features.frame(part.first + hop) for hop in (place.stop, place.start))
        side = next((side for side in sides if start < side.music_stop_frame), sides[-1])
        found.append(
            Finding(
                kind="gap-unused",
                start_frame=start,
                stop_frame=stop,
                severity="look",
                facts={
                    "side": side.side,
                    "track": next(
                        track.number for track in reversed(side.tracks) if track.start_frame <= start
                    ),
                    "tracks": len(side.tracks),
                    "at_s": stop / features.rate_hz,
                    "confidence": sure,
                },
            )
        )
    return found
