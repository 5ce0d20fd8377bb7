"""A take on its way through the mender: chunks of its grid, the damaged places in them, and which of these keep a beat."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import cached_property
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.band import Band
from sidekeep.dsp.impulses.beat import BeatWatch, doubtful_beside
from sidekeep.dsp.impulses.mending import Repaired
from sidekeep.dsp.impulses.safety import beyond_doubt_share
from sidekeep.dsp.impulses.thumps import Thump
from sidekeep.flow.ports import Audio

Floats = NDArray[np.float64]


@dataclass
class Place:
    """One damaged place: the repairs of one or both walls, on frames of the take."""

    repaired: list[Repaired]
    stop: int
    energy: list[float]
    """What is taken out, by wall."""
    left: float = 0.0
    """What is left there."""
    doubt: float = 0.0
    """How doubtful the most doubtful of its repairs is, 0 to 1."""
    left_alone: bool = False
    """Left for doubt: a stroke like others of a beat, but nothing is mended."""

    def add(self, repaired: Repaired) -> None:
        self.repaired.append(repaired)
        self.stop = max(self.stop, repaired.start + repaired.length)
        self.energy[repaired.channel] += repaired.taken_out
        self.left += repaired.left
        self.doubt = max(self.doubt, repaired.doubt)


@dataclass(frozen=True)
class PlaceFacts:
    """What the beat is asked by, one value a place: peak, frames of damage, the wall of which most is taken out, how much that is
    in all and how much is left; how doubtful it is, and whether it was left for doubt."""

    peaks: NDArray[np.int64]
    lengths: NDArray[np.int64]
    walls: NDArray[np.int64]
    energy: Floats
    left: Floats
    doubts: Floats
    left_alone: NDArray[np.bool_]

    @classmethod
    def of(cls, places: list[Place]) -> PlaceFacts:
        return cls(
            np.array([_largest(place.repaired).peak for place in places], dtype=np.int64),
            np.array([max([one.damaged for one in place.repaired]) for place in places], dtype=np.int64),
            np.array([place.energy.index(max(place.energy)) for place in places], dtype=np.int64),
            np.array([sum(place.energy) for place in places], dtype=np.float64),
            np.array([place.left for place in places], dtype=np.float64),
            np.array([place.doubt for place in places], dtype=np.float64),
            np.array([place.left_alone for place in places], dtype=np.bool_),
        )


def _largest(repaired: list[Repaired]) -> Repaired:
    return repaired[0] if len(repaired) == 1 else max(repaired, key=attrgetter("size_db"))


@dataclass
class Chunk:
    """A stretch of the grid on its way."""

    start: int
    stop: int
    job: Future[list[Repaired]] | None = None
    places: list[Place] = field(default_factory=list)
    """What was mended or left for doubt, in order."""
    heads: list[tuple[int, int, float]] = field(default_factory=list)
    """Ticks hard enough to have a tail, mended or left for doubt: first frame, last + 1, size over the local slope in dB."""
    thumps: Future[list[tuple[Thump, Audio]]] | None = None
    low: int = 0
    """First frame of what the thumps were looked for in."""

    def place_at(self, start: int, stop: int, walls: int, left_alone: bool) -> Place:
        """The last place of the chunk, if a repair from ``start`` on overlaps it and has the same fate, else a new one."""
        if not self.places or start >= self.places[-1].stop or self.places[-1].left_alone != left_alone:
            self.places.append(Place([], stop, [0.0] * walls, left_alone=left_alone))
        return self.places[-1]

    @cached_property
    def place_facts(self) -> PlaceFacts:
        """Asked for once all places are there: for every chunk near, again."""
        return PlaceFacts.of(self.places)


@dataclass(frozen=True, kw_only=True)
class LookedAt:
    """A chunk that was looked at and is not begun yet: its sound and the margins round it, and where that ends."""

    chunk: Chunk
    low: int
    """First frame of ``planes``."""
    planes: Audio
    band: Band | None


def ask_beat(
    beats: BeatWatch, before: list[Chunk], chunk: Chunk, behind: list[Chunk], rate_hz: int
) -> tuple[list[bool], list[bool]]:
    """Of every place of a chunk, whether it keeps a beat that those before and behind keep, and whether it is left for doubt:
    because most of what is taken out there does, or because nine seconds may not bear more that is doubtful by itself."""
    if not chunk.places:
        return [], []
    chunks = [*before, chunk, *behind]
    at, counts = len(before), [len(one.places) for one in chunks]
    facts = [one.place_facts for one in chunks]
    peaks = np.concatenate([one.peaks for one in facts])
    lengths_s = np.concatenate([one.lengths for one in facts]) / rate_hz
    walls = np.concatenate([one.walls for one in facts])
    energy = np.concatenate([one.energy for one in facts])
    kept = beats.on_the_beat(peaks / rate_hz, lengths_s, walls, energy)
    begins = [sum(counts[:k]) for k in range(len(chunks) + 1)]
    near = slice(begins[max(0, at - 1)], begins[min(len(chunks), at + 2)])
    left_alone = np.concatenate([one.left_alone for one in facts])[near]
    # what was left off the beat is no part of what is taken out there
    counted = ~left_alone | kept[near]
    doubtful = np.zeros(len(counted), dtype=np.bool_)
    left = np.concatenate([one.left for one in facts])[near]
    doubtful[counted] = doubtful_beside(
        kept[near][counted], lengths_s[near][counted], energy[near][counted], left[counted]
    )
    made = ~left_alone & ~kept[near] & ~doubtful
    doubts = np.concatenate([one.doubts for one in facts])[near]
    sure = float(energy[near][made & (doubts == 0.0)].sum())
    doubtful |= beyond_doubt_share(doubts * energy[near], made & (doubts > 0.0), sure)
    own = slice(begins[at] - near.start, begins[at + 1] - near.start)
    return kept[begins[at] : begins[at + 1]].tolist(), doubtful[own].tolist()
