"""Changes of a side's cuts by hand: a side in, a side out, or a refusal in one line. Nothing is read or written here.

Conventions: frames of the take, half-open. Tracks stay in order and do not overlap; a mark that is moved over its
neighbour's is refused. A track that a person touched is ``edited``: a new survey leaves the side as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

from sidekeep.errors import ParameterError
from sidekeep.model.cuts import SideCuts, Track


def move_mark(
    side: SideCuts, number: int, edge: Literal["start", "stop"], frame: int, length: int
) -> SideCuts:
    """Begin or stop a track at ``frame``; ``length`` frames are on the take. A track that runs on from the one before
    moves that one's stop along."""
    at = _index(side, number)
    tracks = list(side.tracks)
    track = tracks[at]
    if edge == "start":
        low = tracks[at - 1].start_frame + 1 if at else 0
        _inside(side, number, frame, low, track.stop_frame - 1)
        if at and (track.boundary == "segue" or frame < tracks[at - 1].stop_frame):
            tracks[at - 1] = replace(tracks[at - 1], stop_frame=frame, edited=True)
        tracks[at] = replace(track, start_frame=frame, confidence=1.0, edited=True)
    else:
        high = tracks[at + 1].stop_frame - 1 if at + 1 < len(tracks) else length
        _inside(side, number, frame, track.start_frame + 1, high)
        later = at + 1 < len(tracks)
        if later and (tracks[at + 1].boundary == "segue" or frame > tracks[at + 1].start_frame):
            tracks[at + 1] = replace(tracks[at + 1], start_frame=frame, confidence=1.0, edited=True)
        tracks[at] = replace(track, stop_frame=frame, edited=True)
    return _with_tracks(side, tracks)


def split(side: SideCuts, frame: int) -> SideCuts:
    """A new track, without a title, begins at ``frame``: inside a track it takes the rest of it, elsewhere it goes up to the next
    track, or to the end of the music."""
    tracks = list(side.tracks)
    for at, track in enumerate(tracks):
        if track.start_frame < frame < track.stop_frame:
            first = replace(track, stop_frame=frame, edited=True)
            second = Track(
                number=0,
                title="",
                start_frame=frame,
                stop_frame=track.stop_frame,
                confidence=1.0,
                boundary="segue",
                edited=True,
            )
            return _with_tracks(side, [*tracks[:at], first, second, *tracks[at + 1 :]])
    following = [at for at, track in enumerate(tracks) if track.start_frame > frame]
    at = following[0] if following else len(tracks)
    ends = [side.music_stop_frame, side.needle_up_frame]
    stop = tracks[at].start_frame if following else next((end for end in ends if end > frame), frame)
    if not side.needle_down_frame <= frame < stop or any(track.start_frame == frame for track in tracks):
        raise ParameterError("no-track-there", frame=frame, side=side.side)
    begun = Track(
        number=0,
        title="",
        start_frame=frame,
        stop_frame=stop,
        confidence=1.0,
        boundary="gap" if at else "edge",
        edited=True,
    )
    return _with_tracks(side, [*tracks[:at], begun, *tracks[at:]])


def join(side: SideCuts, number: int) -> SideCuts:
    """A track and the one after it become one, with the first one's title (or the second's, if it has none)."""
    at = _index(side, number)
    if at + 1 == len(side.tracks):
        raise ParameterError("no-track-after", side=side.side, track=number)
    one, other = side.tracks[at], side.tracks[at + 1]
    named = one if one.title or not other.title else other
    both = replace(
        one,
        title=named.title,
        artist=named.artist,
        composer=named.composer,
        line=named.line,
        title_confidence=named.title_confidence,
        stop_frame=other.stop_frame,
        edited=True,
    )
    return _with_tracks(side, [*side.tracks[:at], both, *side.tracks[at + 2 :]])


def runs_on(side: SideCuts, number: int, on: bool) -> SideCuts:
    """Whether a track begins out of the one before it: then that one stops where this one begins."""
    at = _index(side, number)
    if at == 0:
        raise ParameterError("first-track", side=side.side, track=number)
    tracks = list(side.tracks)
    tracks[at] = replace(tracks[at], boundary="segue" if on else "gap", edited=True)
    if on:
        tracks[at - 1] = replace(tracks[at - 1], stop_frame=tracks[at].start_frame, edited=True)
    return _with_tracks(side, tracks)


def retitle(
    side: SideCuts, number: int, title: str | None, artist: str | None, composer: str | None
) -> SideCuts:
    """Call a track otherwise; None stays as it is. A title a person gives is sure."""
    if title is None and artist is None and composer is None:
        raise ParameterError("nothing-given")

    def named(track: Track) -> Track:
        return replace(
            track,
            title=track.title if title is None else " ".join(title.split()),
            artist=track.artist if artist is None else " ".join(artist.split()),
            composer=track.composer if composer is None else " ".join(composer.split()),
            title_confidence=track.title_confidence if title is None else 1.0,
            edited=True,
        )

    return _change(side, number, named)


def right(side: SideCuts, number: int) -> SideCuts:
    """The start of a track is where it belongs."""
    return _change(side, number, lambda t: replace(t, confidence=1.0, edited=True))


def music_bound(side: SideCuts, edge: Literal["start", "stop"], frame: int, length: int) -> SideCuts:
    """The music begins or ends at ``frame``; the first track begins, the last one stops there too."""
    first, last = (side.tracks[0], side.tracks[-1]) if side.tracks else (None, None)
    if edge == "start":
        _inside(side, 0, frame, 0, (first.stop_frame if first else side.music_stop_frame) - 1)
        moved = replace(side, music_start_frame=frame, edited=True)
        if first is not None:
            moved = replace(moved, tracks=(replace(first, start_frame=frame, edited=True), *side.tracks[1:]))
        return moved
    _inside(side, 0, frame, (last.start_frame if last else side.music_start_frame) + 1, length)
    moved = replace(side, music_stop_frame=frame, edited=True)
    if last is not None:
        moved = replace(moved, tracks=(*side.tracks[:-1], replace(last, stop_frame=frame, edited=True)))
    return moved


def _index(side: SideCuts, number: int) -> int:
    for at, track in enumerate(side.tracks):
        if track.number == number:
            return at
    raise ParameterError("no-such-track", side=side.side, track=number, tracks=len(side.tracks))


def _inside(side: SideCuts, number: int, frame: int, low: int, high: int) -> None:
    if not low <= frame <= high:
        raise ParameterError(
            "past-a-neighbour", side=side.side, track=number, frame=frame, low=low, high=high
        )


def _change(side: SideCuts, number: int, change: Callable[[Track], Track]) -> SideCuts:
    at = _index(side, number)
    return replace(side, tracks=(*side.tracks[:at], change(side.tracks[at]), *side.tracks[at + 1 :]))


def _with_tracks(side: SideCuts, tracks: list[Track]) -> SideCuts:
    """The side with these tracks, counted anew; its music goes from the first to the last."""
    numbered = tuple(replace(track, number=number) for number, track in enumerate(tracks, 1))
    return replace(
        side,
        tracks=numbered,
        music_start_frame=numbered[0].start_frame,
        music_stop_frame=numbered[-1].stop_frame,
        edited=True,
    )
