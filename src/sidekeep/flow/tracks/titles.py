"""Which printed line a track is, and what it is called.

Conventions: a track carries the number of its printed line (``Track.line``, from 1 on its side, 0 for none) and how sure
that is. A title is given only when it is sure, when the order of the sleeve is the person's choice (``printed``), or when
the lengths are (``heard``). A track without a title is called by side and number. Titles never go by counting.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.division import Division
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.model.record import Side, SleeveTrack

TitleChoice = Literal["sure", "printed", "heard"]
TITLE_SURE = 0.9
"""From it on a title is written without a question: one in ten of those just over it is wrong, if the confidence is right."""
DOUBTED = 0.5
"""What a title is worth whose printed time does not fit, on a side where others do not fit either."""
_NO_MISPRINT = -5.0
"""Log ratio of a length to its printed time below which it is no misprint: more than a minute and a quarter off, or far shorter
than printed. A mark beside it is wrong, or a line is not on the side."""
_OTHER_ORDER = 7.0
"""Log ratio by which another order of the printed times must fit better: sleeves are rarely printed in a wrong order."""


@dataclass(frozen=True)
class Lines:
    """For each track of a play its printed line (index, -1 for none) and how sure that is."""

    index: tuple[int, ...]
    sure: tuple[float, ...]

    def doubted(self) -> Lines:
        """The same lines, none of them surer than a doubted one."""
        return replace(self, sure=tuple(min(share, DOUBTED) for share in self.sure))


def name_of_track(side: str, number: int) -> str:
    """What a track without a sure title is called."""
    return f"Side {side}, track {number}" if side else f"Track {number}"


def lines_of(division: Division, counts: Sequence[int] = ()) -> Lines:
    """The printed line of every track of a division. The better the printed times fit in another order than the sleeve's,
    the less sure are the tracks that would move; where that order is the likelier, they get the line of that order. ``counts``:
    the lines of each side, where they are those of several."""
    index = list(division.listed)
    sure = [
        float(division.line_shares[track, line]) if line >= 0 else 0.0 for track, line in enumerate(index)
    ]
    heard, gain = _heard_order(division.fits, index)
    as_printed = share_as_printed(gain)
    for track, line in enumerate(heard):
        if line != index[track]:
            sure[track] *= as_printed
            if as_printed < 0.5:
                index[track] = line
    for track in (
        *_not_as_printed(division.fits, index),
        *_sides_that_do_not_fit(division.fits, index, counts),
    ):
        sure[track] = min(sure[track], DOUBTED)
    listed = [share for share, line in zip(sure, index, strict=True) if line >= 0]
    if division.fits.any() and sum(share < TITLE_SURE for share in listed) > len(listed) / 2:
        # Where most do not fit, one may fit by chance.
        return Lines(tuple(index), tuple(sure)).doubted()
    return Lines(tuple(index), tuple(sure))


def share_as_printed(gain: float) -> float:
    """How likely the sleeve's order is the right one, where another fits better by this log ratio."""
    return 1.0 / (1.0 + math.exp(min(gain - _OTHER_ORDER, 60.0)))


def _not_as_printed(fits: NDArray[np.float64], index: Sequence[int]) -> list[int]:
    """Tracks whose length is not the printed one. One misprint among times that fit is forgiven; where more times are off
    than that, the recording may begin late or lack something, and none of them tells which track this is. Nor does the one track
    of a side that lists more: a needle lifted again soon leaves such a piece. What no misprint explains puts its neighbours in
    doubt as well, however well their own times fit."""
    listed = [(track, line) for track, line in enumerate(index) if line >= 0]
    off = [track for track, line in listed if fits[track, line] < 0.0]
    fitting = sum(fits[track, line] > 0.0 for track, line in listed)
    is_alone = len(listed) == 1 and fits.shape[1] > 1
    is_forgiven = len(off) <= 1 and not (0 < len(off) < len(listed) and fitting < 2) and not is_alone
    doubted = set() if is_forgiven else set(off)
    for track, line in listed:
        if fits[track, line] < _NO_MISPRINT:
            doubted |= {track - 1, track, track + 1}
    return sorted(doubted & set(range(len(index))))


def _sides_that_do_not_fit(
    fits: NDArray[np.float64], index: Sequence[int], counts: Sequence[int]
) -> list[int]:
    """Tracks of sides of which no printed time fits, on a play that is thought to hold several: the next side's music may
    have been laid on them. A misprint is forgiven among times of its own side only."""
    edges = np.cumsum(counts)
    found: list[int] = []
    for first, after in zip([0, *edges[:-1]], edges, strict=True) if len(edges) > 1 else ():
        listed = [(track, line) for track, line in enumerate(index) if first <= line < after]
        if any(fits[track, line] < 0.0 for track, line in listed) and not any(
            fits[track, line] > 0.0 for track, line in listed
        ):
            found += [track for track, _ in listed]
    return found


def begun_late(tracks: Sequence[Track], division: Division) -> list[Track]:
    """Tracks of a recording that begins with the needle in the groove. What is left of the first tells nothing of which it
    is, unless every printed line is there and every time fits."""
    lines = [track.line - 1 for track in tracks]
    whole = lines == list(range(division.fits.shape[1]))
    if whole and all(division.fits[track, line] >= 0.0 for track, line in enumerate(lines)):
        return list(tracks)
    first = tracks[0]
    return [replace(first, title_confidence=min(first.title_confidence, DOUBTED)), *tracks[1:]]


def without_times(tracks: Sequence[Track], *, saw_down: bool, is_doubted: bool = False) -> list[Track]:
    """Tracks of a side that prints no times, or few: their number alone says which is which, so no title is surer than the
    least sure place where a track begins. Only the first needs no number where the needle was heard to come down before it.
    ``is_doubted``: that number is not what is heard, so a line may be missing or too many anywhere, at the beginning too; or the
    lines are those of several sides and nothing was heard between them."""
    if is_doubted:
        return [replace(track, title_confidence=min(track.title_confidence, DOUBTED)) for track in tracks]
    weakest = min((track.confidence for track in tracks[1:]), default=1.0)
    return [
        replace(track, title_confidence=min(track.title_confidence, weakest))
        if number or not saw_down
        else track
        for number, track in enumerate(tracks)
    ]


def _heard_order(fits: NDArray[np.float64], printed: Sequence[int]) -> tuple[Sequence[int], float]:
    """The order of lines that fits the lengths best, and by which log ratio better than the printed one."""
    from scipy.optimize import linear_sum_assignment

    tracks = [track for track, line in enumerate(printed) if line >= 0]
    if len(tracks) < 2:
        return printed, 0.0
    lines = [printed[track] for track in tracks]
    table = fits[np.ix_(tracks, lines)]
    _, best = linear_sum_assignment(-table)
    heard = list(printed)
    for track, column in zip(tracks, best, strict=True):
        heard[track] = lines[column]
    return heard, float(table[np.arange(len(tracks)), best].sum() - table.trace())


def claimed_sides(sides: Iterable[SideCuts], trusted: Collection[str] = ()) -> dict[str, str]:
    """Sides of a record that another one seems to be: to each its rival's name. Two sounds cannot be one side, so the one
    that bears its name is in doubt too, however well its printed times may fit. ``trusted`` rivals were named by a person
    and claim nothing."""
    claims: dict[str, str] = {}
    for side in sides:
        if side.likely_side and side.side not in trusted:
            claims.setdefault(side.likely_side, side.side)
    return claims


def with_claims(cuts: Cuts, claims: Mapping[str, str]) -> Cuts:
    """The cuts with every claimed side marked as likely to be its rival's."""
    return replace(
        cuts,
        sides=tuple(
            replace(side, likely_side=claims[side.side])
            if side.side in claims and not side.likely_side
            else side
            for side in cuts.sides
        ),
    )


def with_titles(cuts: Cuts, sides: Sequence[Side], how: TitleChoice = "sure") -> Cuts:
    """The cuts with titles, artists and composers from the sleeve, joined by each track's line. Tracks a person edited are
    left as they are."""
    printed = {side.name: side for side in sides}
    return replace(cuts, sides=tuple(_titled(side, printed.get(side.side), how) for side in cuts.sides))


def _titled(side: SideCuts, printed: Side | None, how: TitleChoice) -> SideCuts:
    lines = _chosen_lines(side, printed, how)
    tracks = [
        track
        if track.edited
        else _named(track, line)
        if line is not None
        else replace(track, title="", artist="", composer="")
        for track, line in zip(side.tracks, lines, strict=True)
    ]
    return replace(side, tracks=tuple(tracks))


def settle_titles(settled: Cuts, proposal: Cuts, sides: Sequence[Side], how: TitleChoice = "sure") -> Cuts:
    """Titles of cuts of which some sides are a person's. A track of theirs learns its line from the proposal where the
    two are mostly the same stretch; a title that is there is never taken away. With another choice than ``sure`` every
    track that gets a title by it counts as edited."""
    printed = {side.name: side for side in sides}
    proposed = {side.side: side for side in proposal.sides}
    found = []
    for side in settled.sides:
        known = _with_lines(side, proposed[side.side]) if side.side in proposed else side
        lines = _chosen_lines(known, printed.get(side.side), how)
        tracks = []
        for track, line in zip(known.tracks, lines, strict=True):
            if line is None or (track.edited and track.title):
                tracks.append(track)
            else:
                tracks.append(replace(_named(track, line), edited=track.edited or how != "sure"))
        found.append(replace(known, tracks=tuple(tracks)))
    return replace(settled, sides=tuple(found))


def _with_lines(side: SideCuts, proposal: SideCuts) -> SideCuts:
    tracks = []
    for track in side.tracks:
        if (same := next((other for other in proposal.tracks if _mostly(track, other)), None)) is not None:
            track = replace(track, line=same.line, title_confidence=same.title_confidence)
        tracks.append(track)
    return replace(side, tracks=tuple(tracks), likely_side=proposal.likely_side)


def _mostly(one: Track, other: Track) -> bool:
    common = min(one.stop_frame, other.stop_frame) - max(one.start_frame, other.start_frame)
    whole = max(one.stop_frame, other.stop_frame) - min(one.start_frame, other.start_frame)
    return 2 * common > whole


def _chosen_lines(side: SideCuts, printed: Side | None, how: TitleChoice) -> list[SleeveTrack | None]:
    """For each track the printed line whose title it is given; None where there is none, or none that is sure."""
    listed = printed.tracks if printed is not None else ()
    chosen: list[SleeveTrack | None] = []
    for place, track in enumerate(side.tracks, start=1):
        line = place if how == "printed" else track.line
        sure = how != "sure" or (track.title_confidence >= TITLE_SURE and not side.likely_side)
        chosen.append(listed[line - 1] if sure and 0 < line <= len(listed) else None)
    return chosen


def _named(track: Track, line: SleeveTrack) -> Track:
    return replace(track, title=line.title, artist=line.artist, composer=line.composer)


def sleeve_tracks(side: SideCuts, printed: Side | None) -> tuple[SleeveTrack, ...]:
    """The tracks of a side as they were found, for tags, lists and names: title from the cuts, time, mark and note from
    the printed line. Marks of the sleeve are kept only where the sleeve's tracks and the found ones are the same ones."""
    listed = printed.tracks if printed else ()
    lines = [_line_of(track, listed) for track in side.tracks]
    as_printed = [line for line in lines if line] == list(range(1, len(listed) + 1)) and 0 not in lines
    found = []
    for number, (track, line) in enumerate(zip(side.tracks, lines, strict=True), start=1):
        known = listed[line - 1] if line else SleeveTrack(number=number, title="")
        found.append(
            replace(
                known,
                number=number,
                title=track.title or name_of_track(side.side, number),
                artist=track.artist,
                composer=track.composer,
                position=known.position if as_printed else "",
            )
        )
    return tuple(found)


def _line_of(track: Track, listed: Sequence[SleeveTrack]) -> int:
    """The printed line a titled track is: its own, or the only one of its title where a person gave the title."""
    if not track.title:
        return 0
    if 0 < track.line <= len(listed) and listed[track.line - 1].title == track.title:
        return track.line
    same = [number for number, line in enumerate(listed, start=1) if line.title == track.title]
    return same[0] if len(same) == 1 else 0
