"""Where a side is while it plays: tracks that began, the one that plays, how long is left.

Looks at everything measured so far, again at every look: a pause is judged by what follows it, so what was taken for a
boundary may be withdrawn and another may be found late. Frames at the take's rate; seconds where said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from sidekeep.dsp.tracks.boundaries import Place
from sidekeep.dsp.tracks.music_ends import music_bounds
from sidekeep.dsp.tracks.open_division import OpenDivision, divide_open
from sidekeep.flow.tracks.cut import candidate_places
from sidekeep.flow.tracks.side_features import Features, PlayedPart
from sidekeep.flow.tracks.unused_gaps import clear_gaps
from sidekeep.model.cuts import Boundary, Track
from sidekeep.model.record import Side

_LEAST_MUSIC_S = 2.0
"""Less is not divided yet."""
_MOST_PLACES = 70
_WEAKEST = -6.5
"""Places where a track may begin: so many of the likeliest over these log odds, so that a question late in a side takes no
longer than the seconds between two."""
_PAUSE_S, _PAUSE_LOG_ODDS = (0.3, 0.8, 1.5, 3.0), (-4.0, -1.5, 1.0, 3.0)
"""A pause that still goes on: it may be the end of a track. The longer the surer."""
_MOST_LINES = 30
"""Without a sleeve so many tracks are thought of."""
SEEN = 0.5
"""How sure a start must be to be told: likelier than not."""
SETTLED, SETTLED_AFTER_S = 0.8, 20.0
"""How sure it must be to count as settled, and how far the needle must be behind it by then."""
_SAME_S = 2.0
"""Starts this near each other are the same one, found anew."""


@dataclass(frozen=True, kw_only=True)
class SeenBoundary:
    """A track that seems to have begun at ``frame``. ``track``: its number by the sleeve's order, None when not known, or when
    all that is printed has its place elsewhere."""

    frame: int
    sure: float
    boundary: Boundary
    track: int | None


@dataclass(frozen=True, kw_only=True)
class Playing:
    """What plays now. ``line`` counts printed lines from 0; at their number all that is printed is over.
    Forecasts are None where too little is printed to claim anything."""

    line: int
    is_listed: bool
    started_frame: int
    sure: float
    left_s: float | None
    left_sd_s: float | None
    side_left_s: float | None
    side_left_sd_s: float | None


@dataclass(frozen=True, kw_only=True)
class SideState:
    """One look. ``is_sounding``: there was music in the last moment."""

    heard_frame: int
    music_start_frame: int | None = None
    is_sounding: bool = False
    boundaries: tuple[SeenBoundary, ...] = ()
    playing: Playing | None = None


def look_at_side(features: Features, side: Side | None) -> SideState:
    """What can be said of the play under way. ``features`` are those of the take so far."""
    heard = features.table.length_frames
    features = features.unjoined()  # one side plays: nobody cut two together
    if not features.parts:
        return SideState(heard_frame=heard)
    part, hop_s = max(features.parts, key=lambda each: each.last - each.first), features.table.hop_s
    start, stop = music_bounds(
        part.groove, hop_s, after_thump=part.play.saw_down, before_thump=part.play.saw_up
    )
    if (stop - start) * hop_s < _LEAST_MUSIC_S:
        return SideState(heard_frame=heard)
    printed = [track.duration_s for track in side.tracks] if side is not None else []
    lines = printed or [None] * _MOST_LINES
    nodes = _nodes(features, part, (start, stop), with_segues=len(printed) > 1)
    end = part.last - part.first
    division = divide_open(
        [place.stop * hop_s for place in nodes],
        [place.start * hop_s for place in nodes],
        [place.log_odds for place in nodes],
        lines,
        end * hop_s,
    )
    return SideState(
        heard_frame=heard,
        music_start_frame=features.frame(part.first + start),
        is_sounding=(end - stop) * hop_s < 1.0,
        boundaries=_with_unused(
            features,
            part,
            (start, stop),
            nodes,
            division,
            printed,
            _boundaries(features, part, nodes, division, len(printed)),
        ),
        playing=Playing(
            line=division.line,
            is_listed=bool(printed) and division.line < len(printed),
            started_frame=features.frame(part.first + nodes[division.node].start),
            sure=division.sure,
            left_s=division.left_s,
            left_sd_s=division.left_sd_s,
            side_left_s=division.side_left_s,
            side_left_sd_s=division.side_left_sd_s,
        ),
    )


def _nodes(features: Features, part: PlayedPart, span: tuple[int, int], *, with_segues: bool) -> list[Place]:
    """The start of the music, the places after it, and the pause that goes on now."""
    hop_s, end = features.table.hop_s, part.last - part.first
    places = candidate_places(features, part, span, with_segues=with_segues)
    places = [place for place in places if place.log_odds > _WEAKEST and place.start < span[1]]
    kept = sorted(places, key=lambda place: -place.log_odds)[:_MOST_PLACES]
    nodes = [Place(span[0], span[0], True, 0.0), *sorted(kept, key=lambda place: (place.stop, place.start))]
    pause_s = (end - span[1]) * hop_s
    if pause_s >= _PAUSE_S[0]:
        nodes.append(Place(span[1], end, True, float(np.interp(pause_s, _PAUSE_S, _PAUSE_LOG_ODDS))))
    return nodes


def _boundaries(
    features: Features, part: PlayedPart, nodes: list[Place], division: OpenDivision, listed: int
) -> tuple[SeenBoundary, ...]:
    """Nodes that are boundaries more likely than not; of several close together the likeliest, with their sum. Where the last
    of ``listed`` tracks has ended none begins."""
    hop_s = features.table.hop_s
    starts = np.array([node.start for node in nodes]) * hop_s
    lines = {node: line for line, node in enumerate(division.starts)}
    found: list[SeenBoundary] = []
    last_s = -np.inf
    for index in range(1, len(nodes)):
        near = np.abs(starts - starts[index]) <= _SAME_S
        near[0] = False
        sure = float(min(1.0, division.posterior[near].sum()))
        likeliest = int(np.argmax(np.where(near, division.posterior, -1.0)))
        if sure < SEEN or likeliest != index or starts[index] - last_s <= _SAME_S:
            continue
        last_s = float(starts[index])
        line = lines.get(index)
        if listed and line == listed:
            continue
        found.append(
            SeenBoundary(
                frame=features.frame(part.first + nodes[index].start),
                sure=sure,
                boundary="gap" if nodes[index].gap else "segue",
                track=line + 1 if listed and line is not None else None,
            )
        )
    return tuple(found)


def _with_unused(
    features: Features,
    part: PlayedPart,
    span: tuple[int, int],
    nodes: list[Place],
    division: OpenDivision,
    printed: Sequence[float | None],
    found: tuple[SeenBoundary, ...],
) -> tuple[SeenBoundary, ...]:
    """Boundaries with the clear gaps that are left over when every printed track has begun elsewhere, in a track of which no
    time is printed: a title may be missing from the sleeve."""
    if not printed:
        return found
    over = [place for place in nodes[1:] if place.gap and place.start < span[1]]
    ends = Place(span[0], span[0], True, 0.0), Place(span[1], span[1], True, 0.0)
    near = _SAME_S * features.rate_hz
    more = list(found)
    for place, sure in clear_gaps([ends[0], *over, ends[1]], features.table.hop_s):
        frame = features.frame(part.first + place.start)
        line = sum(nodes[node].start <= place.start for node in division.starts) - 1
        has_time = line < len(printed) and printed[line] is not None
        if not has_time and all(abs(seen.frame - frame) > near for seen in found):
            more.append(SeenBoundary(frame=frame, sure=sure, boundary="gap", track=None))
    return tuple(sorted(more, key=lambda seen: seen.frame))


@dataclass
class BoundaryBook:
    """Gives boundaries an id that stays and tells what is new: seen, settled, withdrawn."""

    rate_hz: int
    _known: dict[int, tuple[SeenBoundary, bool]] = field(default_factory=dict)
    _next: int = 1

    def update(self, state: SideState) -> list[tuple[int, str, SeenBoundary]]:
        """(id, what happened, boundary) for every change since the last look."""
        news: list[tuple[int, str, SeenBoundary]] = []
        left = dict(self._known)
        for seen in state.boundaries:
            number = self._find(left, seen.frame)
            age_s = (state.heard_frame - seen.frame) / self.rate_hz
            settled = seen.sure >= SETTLED and age_s >= SETTLED_AFTER_S
            if number is None:
                number, self._next = self._next, self._next + 1
                before = None
            else:
                before = left.pop(number)
            if before is None or self._moved(before[0], seen) or settled != before[1]:
                news.append((number, "settled" if settled else "provisional", seen))
                self._known[number] = (seen, settled)
        for number, (seen, _) in left.items():
            del self._known[number]
            news.append((number, "withdrawn", seen))
        return news

    def settle(
        self, tracks: Sequence[Track], unused: Sequence[SeenBoundary] = ()
    ) -> list[tuple[int, str, SeenBoundary]]:
        """The last word: the starts of the finished survey but the first of each side, and clear gaps that it did not use."""
        news: list[tuple[int, str, SeenBoundary]] = []
        left = dict(self._known)
        begun = [
            SeenBoundary(
                frame=track.start_frame, sure=track.confidence, boundary=track.boundary, track=track.number
            )
            for track in tracks
            if track.boundary != "edge"
        ]
        for seen in sorted([*begun, *unused], key=lambda each: each.frame):
            number = self._find(left, seen.frame)
            if number is None:
                number, self._next = self._next, self._next + 1
            left.pop(number, None)
            news.append((number, "settled", seen))
        return news + [(number, "withdrawn", seen) for number, (seen, _) in left.items()]

    def _find(self, known: dict[int, tuple[SeenBoundary, bool]], frame: int) -> int | None:
        near = [
            (abs(seen.frame - frame), number)
            for number, (seen, _) in known.items()
            if abs(seen.frame - frame) <= _SAME_S * self.rate_hz
        ]
        return min(near)[1] if near else None

    def _moved(self, before: SeenBoundary, now: SeenBoundary) -> bool:
        return abs(before.frame - now.frame) > 0.1 * self.rate_hz or before.track != now.track
