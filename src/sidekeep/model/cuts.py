"""Where things are on a take: needle, music, tracks. Frames are at the take's rate, half-open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Boundary = Literal["gap", "segue", "edge"]
"""How a track *starts*: after groove without music, out of the track before, or at the side's edge."""


@dataclass(frozen=True, kw_only=True)
class Track:
    """A piece of music on a side. ``number`` counts from 1 on the side; ``confidence`` is of its start. ``line`` is the
    printed line it is taken for, from 1 on the side (0: none), ``title_confidence`` how sure that is; the title is
    empty where it is not sure."""

    number: int
    title: str
    start_frame: int
    stop_frame: int
    artist: str = ""
    composer: str = ""
    confidence: float = 0.0
    boundary: Boundary = "edge"
    edited: bool = False
    line: int = 0
    title_confidence: float = 0.0


@dataclass(frozen=True, kw_only=True)
class SideCuts:
    """One side found on a take. ``likely_side`` names another side of the record whose printed times fit clearly
    better, if there is one. ``take`` is the SHA-256 of the take it was cut on (empty: not kept yet), ``rate_hz`` its rate
    where that is not the one of the ``Cuts`` around it; ``edited``: a person changed the side itself."""

    side: str
    needle_down_frame: int
    needle_up_frame: int
    music_start_frame: int
    music_stop_frame: int
    tracks: tuple[Track, ...] = ()
    likely_side: str = ""
    take: str = ""
    rate_hz: int = 0
    edited: bool = False

    @property
    def is_a_persons(self) -> bool:
        """Whether a person changed anything of it: then no survey does."""
        return self.edited or any(track.edited for track in self.tracks)


@dataclass(frozen=True, kw_only=True)
class Cuts:
    """All sides found on one take, in playing order."""

    rate_hz: int
    sides: tuple[SideCuts, ...] = ()
