"""Titles of tracks when the sleeve text is corrected: one that is the printed one stays the printed one, also on a track whose
marks a person moved; one that a person wrote stays theirs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sidekeep.errors import SleeveError
from sidekeep.model.cuts import Track
from sidekeep.model.record import SleeveTrack
from sidekeep.shelf.choices.choice_files import put_side, sides_in
from sidekeep.shelf.choices.journal import State
from sidekeep.shelf.sleeve.reading import read_sleeve


def follow_sleeve(state: State, before: str | None) -> None:
    """Bring the titles of a state in line with its sleeve text, which was ``before``. On sides that list another number of tracks
    than before nobody knows which line became which: the next survey tells."""
    after = state.get("sleeve")
    sides = sides_in(state)
    if before is None or after is None or before == after or not sides:
        return
    try:
        old, new = (
            {side.name: side.tracks for side in read_sleeve(text)[0].sides} for text in (before, after)
        )
    except SleeveError:
        return
    for side in sides:
        were, are = old.get(side.side, ()), new.get(side.side, ())
        if len(were) == len(are):
            tracks = tuple(_following(track, were, are) for track in side.tracks)
            if tracks != side.tracks:
                put_side(state, replace(side, tracks=tracks))


def _following(track: Track, were: Sequence[SleeveTrack], are: Sequence[SleeveTrack]) -> Track:
    if not 0 < track.line <= len(were):
        return track
    old, new = were[track.line - 1], are[track.line - 1]
    if (track.title, track.artist, track.composer) != (old.title, old.artist, old.composer):
        return track
    return replace(track, title=new.title, artist=new.artist, composer=new.composer)
