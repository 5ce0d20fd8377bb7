"""From features and sleeve to cuts: which sides a take holds, where their music is, where each track starts.

Conventions: frames at the take's rate. A start mark stands a little before the music is heard (``_LEAD_S``), never
inside the sound of the track before; a stop mark stands where the music sinks into the groove noise.
docs/tracks.md tells how it works and how well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sidekeep.dsp.tracks.boundaries import (
    Place,
    crowd_places,
    faint_starts,
    gap_places,
    novelty,
    segue_places,
)
from sidekeep.dsp.tracks.crowd import find_crowd
from sidekeep.dsp.tracks.division import Division
from sidekeep.dsp.tracks.music_ends import decay_end, music_bounds
from sidekeep.flow.tracks.cut_findings import cut_findings, plays_finding
from sidekeep.flow.tracks.play_sides import assign_sides, divide_places, likely_side, played_once
from sidekeep.flow.tracks.side_features import Features, PlayedPart
from sidekeep.flow.tracks.title_doubts import with_doubts
from sidekeep.flow.tracks.title_findings import title_findings
from sidekeep.flow.tracks.titles import (
    Lines,
    begun_late,
    claimed_sides,
    lines_of,
    with_claims,
    with_titles,
    without_times,
)
from sidekeep.flow.tracks.unused_gaps import gap_findings, unused_gaps, without_sleeve
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.model.finding import Finding
from sidekeep.model.record import Side, SleeveTrack

_LEAD_S = 0.1
"""A start mark stands so long before the sound: what is heard is found to a hop or two of 23 ms, and no attack may be cut."""
_CLEAR_OF_GAP_S = 3.0
"""A change of the sound so near a likely gap is that gap: as far off as a segue may be and still counts as found."""
_CLEAR_OF_EDGE_S = 5.0
"""No track is so short, and novelty looks 8 s to either side: at the ends of the music it sees the needle (chosen here)."""
_GAP_TOLERANCE_S, _SEGUE_TOLERANCE_S = 0.5, 3.0
"""How far off a mark may be and be called right: a gap is heard to a fraction of a second, a segue is not."""
_MOST_SURE = 0.99
"""Nothing that is heard is certain: one mark in a hundred is wrong for a reason that no evidence here knows (chosen here)."""
_LEAST_MUSIC_S = 2.0
"""A play with less between needle and needle is a try of the needle, and no side (chosen here)."""
_LIKELY_GAP = -2.0
"""Log odds from which a run of noise may be the gap that a change of the sound belongs to (chosen here)."""
_ONSET_S, _ONSET, _SURE_OF_ONSET = 0.3, (0.5, 1.5, 3.0), (0.85, 0.93, 1.0)
"""The excess of the first 0.3 s of music, and the share of its confidence a start keeps: what hardly stands out of the noise may
have begun before (chosen here; docs/tracks.md has how far the confidence holds)."""
_SEGUE_ODDS, _SURE_OF_SEGUE = (-7.0, -4.0, -2.0, 0.0), (0.6, 0.75, 0.88, 0.95)
"""A segue is no surer than its own log odds allow, whatever the printed times say (chosen here, as above)."""


@dataclass(frozen=True)
class CutSide:
    """One play cut: the tracks of its sides (``sides`` of them, usually one) in order, and what led to them."""

    part: PlayedPart
    places: tuple[Place, ...]
    division: Division
    listed: tuple[SleeveTrack, ...]
    lines: Lines
    sides: int


def find_cuts(
    features: Features, *, sides: Sequence[Side] | None = None, others: Sequence[Side] = ()
) -> tuple[Cuts, list[Finding]]:
    """Cuts and findings of a take. ``sides``: what the sleeve expects in this take, in playing order; None: unknown.
    ``others``: all sides of the record, to notice that this is another one than it was taken for."""
    if sides is not None and len(features.plays) > len(sides):
        features = features.unjoined()
    heard = _heard_plays(features)
    assigned, unused, missing = _assigned_plays(features, heard, sides)
    findings = plays_finding(features, unused, missing)
    found: list[SideCuts] = []
    for index, expected in assigned:
        part, span = heard[index]
        cut = _divide_play(features, part, span, expected)
        names = [side.name for side in expected] or [chr(ord("A") + len(found))]
        cut_sides = _sides(features, cut, names, [len(side.tracks) for side in expected])
        if len(expected) == 1:
            candidates = [*others, *(sides or ())]
            hop_s = features.table.hop_s
            likely, sure = likely_side(cut.places, cut.division, expected[0], candidates, hop_s, missing)
            cut_sides = [replace(_less_sure(side, sure), likely_side=likely) for side in cut_sides]
        found += cut_sides
        findings += _findings_of_play(features, cut, cut_sides)
    cuts = with_claims(Cuts(rate_hz=features.rate_hz, sides=tuple(found)), claimed_sides(found))
    cuts = with_titles(cuts, sides or ())
    told = title_findings(cuts, sides or ())
    return cuts, [*told, *_without_misprints(findings, told)]


def _heard_plays(features: Features) -> list[tuple[PlayedPart, tuple[int, int]]]:
    """The plays with enough music in them, each with where its music begins and ends, in hops."""
    hop_s = features.table.hop_s
    bounds = [
        (
            part,
            music_bounds(part.groove, hop_s, after_thump=part.play.saw_down, before_thump=part.play.saw_up),
        )
        for part in features.parts
    ]
    return [(part, span) for part, span in bounds if (span[1] - span[0]) * hop_s >= _LEAST_MUSIC_S]


def _assigned_plays(
    features: Features, heard: Sequence[tuple[PlayedPart, tuple[int, int]]], sides: Sequence[Side] | None
) -> tuple[list[tuple[int, tuple[Side, ...]]], list[PlayedPart], list[Side]]:
    """The plays (by index) with the sides they hold, the plays that are left over, and the sides that were not played."""
    once = played_once(features, heard) if sides else list(range(len(heard)))
    lengths_s = [
        (stop - start) * features.table.hop_s for _, (start, stop) in (heard[index] for index in once)
    ]
    of_once, _, missing = assign_sides(lengths_s, sides)
    assigned = [(once[index], expected) for index, expected in of_once]
    used = {index for index, _ in assigned}
    return assigned, [part for index, (part, _) in enumerate(heard) if index not in used], missing


def _findings_of_play(features: Features, cut: CutSide, cut_sides: list[SideCuts]) -> list[Finding]:
    findings = cut_findings(features, cut_sides, cut.division, cut.listed, cut.part)
    if cut.listed and cut_sides:
        left_over = unused_gaps(cut.places, cut.division, cut.listed, features.table.hop_s)
        findings += gap_findings(features, cut.part, cut_sides, left_over)
    return findings


def _without_misprints(findings: Sequence[Finding], told: Sequence[Finding]) -> list[Finding]:
    """Without misprinted times on a side that was played at the wrong speed: all its times are wrong, so none is a misprint."""
    at_wrong_speed = {finding.facts["side"] for finding in told if finding.kind == "wrong-speed"}
    return [
        finding
        for finding in findings
        if finding.kind != "printed-time" or finding.facts["side"] not in at_wrong_speed
    ]


def _less_sure(side: SideCuts, share: float) -> SideCuts:
    """Titles are no surer than it is that this is the side."""
    tracks = (replace(track, title_confidence=share * track.title_confidence) for track in side.tracks)
    return replace(side, tracks=tuple(tracks))


def _divide_play(
    features: Features, part: PlayedPart, span: tuple[int, int], sides: Sequence[Side]
) -> CutSide:
    """Candidates and the best division of one play among the tracks of the sides expected on it."""
    hop_s = features.table.hop_s
    start, stop = span
    listed = tuple(track for side in sides for track in side.tracks)
    places = candidate_places(features, part, span, with_segues=len(listed) > 1)
    if _is_timed(listed):
        places += faint_starts(part.groove, places, hop_s)
        places.sort(key=lambda place: (place.stop, place.start))
    nodes = (Place(start, start, True, 0.0), *places, Place(stop, stop, True, 0.0))
    times = [track.duration_s for track in listed]
    division = divide_places(nodes, times if listed else None, hop_s)
    lines = lines_of(division, [len(side.tracks) for side in sides])
    lines = with_doubts(lines, nodes, division, times, hop_s)
    return CutSide(part, nodes, division, listed, lines, len(sides))


def _is_timed(listed: Sequence[SleeveTrack]) -> bool:
    """Whether half of the lines and more have a printed time."""
    return bool(listed) and 2 * sum(line.duration_s is not None for line in listed) >= len(listed)


def candidate_places(
    features: Features, part: PlayedPart, span: tuple[int, int], *, with_segues: bool
) -> list[Place]:
    """Places inside the music of a play where a track may begin, in order; hops count from the start of the part."""
    table, hop_s = features.table, features.table.hop_s
    start, stop = span
    chroma = table.chroma[part.first : part.last]
    bands_db = table.bands_db[part.first : part.last]
    crowd = find_crowd(bands_db, chroma, part.groove, hop_s)
    places = [p for p in gap_places(part.groove, chroma, hop_s, crowd) if start < p.stop and p.start < stop]
    places += [p for p in crowd_places(crowd, places, stop, hop_s) if start < p.stop]
    if with_segues:
        strength, step = novelty(bands_db, chroma, hop_s)
        for segue in segue_places(strength, step, hop_s):
            near = any(
                (p.stop - segue.stop) * hop_s < _CLEAR_OF_GAP_S
                and (segue.stop - p.start) * hop_s < _CLEAR_OF_GAP_S
                for p in places
                if p.gap and p.log_odds > _LIKELY_GAP
            )
            inside = min(segue.start - start, stop - segue.start) * hop_s > _CLEAR_OF_EDGE_S
            if inside and not near:
                places.append(segue)
    return sorted(places, key=lambda place: (place.stop, place.start))


def _tracks(features: Features, cut: CutSide) -> list[Track]:
    """The tracks of a play in order; ``line`` counts through all lines of its sides."""
    lead = round(_LEAD_S * features.rate_hz)
    first, division = cut.part.first, cut.division
    tracks: list[Track] = []
    stops = _stops(cut, features.table.hop_s)
    for index, line in enumerate(cut.lines.index):
        begin = cut.places[division.nodes[index]]
        start = features.frame(first + begin.start)
        if begin.gap:
            earliest = features.frame(first + stops[index - 1]) if index else features.frame(first)
            start = min(start, max(start - lead, earliest))
        tracks.append(
            Track(
                number=index + 1,
                title="",
                start_frame=start,
                stop_frame=features.frame(first + stops[index]),
                confidence=_confidence(cut, division.nodes[index], features.table.hop_s),
                boundary="edge" if index == 0 else "gap" if begin.gap else "segue",
                line=line + 1,
                title_confidence=cut.lines.sure[index],
            )
        )
    saw_down = cut.part.play.saw_down
    if not saw_down:
        tracks = begun_late(tracks, division)
    if _is_timed(cut.listed):
        return tracks
    is_doubted = bool(cut.listed) and (cut.sides > 1 or _is_other_number(cut, features.table.hop_s))
    return without_times(tracks, saw_down=saw_down, is_doubted=is_doubted)


def _is_other_number(cut: CutSide, hop_s: float) -> bool:
    """True where a track begins at a gap that would be none without the sleeve's number of tracks: it may list one too
    many. Or where a gap as clear as the others is left over: it may list one too few."""
    alone = {place.start: sure for place, sure in without_sleeve(cut.places, hop_s)}
    begun = [cut.places[node] for node in cut.division.nodes[1:-1]]
    forced = any(place.gap and alone[place.start] < 0.5 for place in begun)
    return forced or bool(unused_gaps(cut.places, cut.division, cut.listed, hop_s))


def _stops(cut: CutSide, hop_s: float) -> list[int]:
    """Where each track ends: at a segue where the next begins, else where its decay sinks into the noise."""
    groove = cut.part.groove
    ends = [cut.places[node] for node in cut.division.nodes[1:]]
    limits = [place.start for place in ends[:-1]] + [len(groove.quiet)]
    return [
        decay_end(groove, place.stop, limit, hop_s) if place.gap else place.stop
        for place, limit in zip(ends, limits, strict=True)
    ]


def _confidence(cut: CutSide, node: int, hop_s: float) -> float:
    """How sure a start is: the posterior of all places within tolerance; less where the music comes in faintly, or
    where a segue is told by the printed times more than by the sound."""
    place = cut.places[node]
    tolerance = _GAP_TOLERANCE_S if place.gap else _SEGUE_TOLERANCE_S
    starts = np.array([other.start for other in cut.places]) * hop_s
    near = np.abs(starts - place.start * hop_s) <= tolerance
    sure = float(np.minimum(1.0, cut.division.posterior[near].sum())) if node else 1.0
    if place.gap:
        reach = round(_ONSET_S / hop_s)
        onset = float(cut.part.groove.excess[place.start + 2 : place.start + reach].mean())
        sure *= float(np.interp(onset, _ONSET, _SURE_OF_ONSET))
    else:
        sure = min(sure, float(np.interp(place.log_odds, _SEGUE_ODDS, _SURE_OF_SEGUE)))
    return float(np.clip(sure, 0.0, _MOST_SURE))


def _sides(features: Features, cut: CutSide, names: Sequence[str], counts: Sequence[int]) -> list[SideCuts]:
    """The tracks of one play as one side, or as several that were recorded without lifting the needle. A side ends
    where the printed lines of the next begin; ``counts`` are the lines of each side."""
    cuts = []
    down, up = features.frame(cut.part.play.down), features.frame(cut.part.play.up)
    tracks = _tracks(features, cut)
    groups = _by_side(tracks, cut.division.listed, counts) if len(names) > 1 else [tracks]
    before = 0
    for index, (name, group) in enumerate(zip(names, groups, strict=True)):
        if group:
            later = next((other for other in groups[index + 1 :] if other), None)
            stop = up if later is None else (group[-1].stop_frame + later[0].start_frame) // 2
            numbered = tuple(
                replace(
                    track,
                    number=n,
                    boundary="edge" if n == 1 else track.boundary,
                    line=max(0, track.line - before),
                )
                for n, track in enumerate(group, start=1)
            )
            cuts.append(
                SideCuts(
                    side=name,
                    needle_down_frame=down,
                    needle_up_frame=stop,
                    music_start_frame=numbered[0].start_frame,
                    music_stop_frame=numbered[-1].stop_frame,
                    tracks=numbered,
                )
            )
            down = stop
        before += counts[index] if counts else 0
    return cuts


def _by_side(tracks: list[Track], listed: Sequence[int], counts: Sequence[int]) -> list[list[Track]]:
    """Tracks of several sides separated where their lines are; one without a line goes with the nearer neighbour."""
    edges = np.cumsum(counts)
    side_of = [int(np.searchsorted(edges, line, side="right")) if line >= 0 else -1 for line in listed]
    for index, side in enumerate(side_of):
        if side >= 0:
            continue
        before = side_of[index - 1] if index else -1
        after = next((other for other in side_of[index + 1 :] if other >= 0), before)
        if before < 0 or after < 0 or before == after:
            side_of[index] = max(before, after, 0)
        else:
            here = tracks[index]
            gap_before = here.start_frame - tracks[index - 1].stop_frame
            side_of[index] = after if gap_before > tracks[index + 1].start_frame - here.stop_frame else before
    return [
        [track for track, side in zip(tracks, side_of, strict=True) if side == number]
        for number in range(len(counts))
    ]
