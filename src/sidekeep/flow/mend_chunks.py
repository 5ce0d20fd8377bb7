"""A take on its way through the mender: chunks of its grid, the damaged places in them, and which of these keep a beat."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass, field

import numpy as np

from sidekeep.dsp.impulses.band import Band
from sidekeep.dsp.impulses.beat import BeatWatch, doubtful_beside
from sidekeep.dsp.impulses.mending import Repaired
from sidekeep.dsp.impulses.thumps import Thump
from sidekeep.flow.ports import Audio


@dataclass
class Place:
    """One damaged place: the repairs of one or both walls, on frames of the take."""

    repaired: list[Repaired]
    stop: int
    energy: list[float]
    """What is taken out, by wall."""
    left: float = 0.0
    """What is left there."""

    def add(self, repaired: Repaired, values: Audio, as_it_was: Audio) -> None:
        self.repaired.append(repaired)
        self.stop = max(self.stop, repaired.start + repaired.length)
        self.energy[repaired.channel] += float(np.square(as_it_was - values).sum())
        self.left += float(np.square(values).sum())


@dataclass
class Chunk:
    """A stretch of the grid on its way."""

    start: int
    stop: int
    job: Future[list[Repaired]] | None = None
    places: list[Place] = field(default_factory=list)
    """What was mended, in order."""
    heads: list[tuple[int, int, float]] = field(default_factory=list)
    """Ticks hard enough to have a tail, mended or left for doubt: first frame, last + 1, size over the local slope in dB."""
    thumps: Future[list[tuple[Thump, Audio]]] | None = None
    low: int = 0
    """First frame of what the thumps were looked for in."""

    def place_at(self, start: int, stop: int, walls: int) -> Place:
        """The last place of the chunk, if a repair from ``start`` on overlaps it, else a new one."""
        if not self.places or start >= self.places[-1].stop:
            self.places.append(Place([], stop, [0.0] * walls))
        return self.places[-1]


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
    """Of every place of a chunk, whether it keeps a beat that those before and behind keep, and whether it is left for doubt
    because most of what is taken out there does."""
    if not chunk.places:
        return [], []
    chunks = [*before, chunk, *behind]
    at, counts = len(before), [len(one.places) for one in chunks]
    places = [place for one in chunks for place in one.places]
    lengths_s = np.array([max(one.damaged for one in place.repaired) for place in places]) / rate_hz
    peaks = np.array([max(place.repaired, key=lambda one: one.size_db).peak for place in places])
    walls = np.array([int(np.argmax(place.energy)) for place in places], dtype=np.int64)
    energy = np.array([sum(place.energy) for place in places])
    kept = beats.on_the_beat(peaks / rate_hz, lengths_s, walls, energy)
    begins = [sum(counts[:k]) for k in range(len(chunks) + 1)]
    near = slice(begins[max(0, at - 1)], begins[min(len(chunks), at + 2)])
    left = np.array([place.left for place in places[near]])
    doubtful = doubtful_beside(kept[near], lengths_s[near], energy[near], left)
    own = slice(begins[at] - near.start, begins[at + 1] - near.start)
    return kept[begins[at] : begins[at + 1]].tolist(), doubtful[own].tolist()
