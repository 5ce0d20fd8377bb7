"""A take on its way through the mender: chunks of its grid, the damaged places in them, and which of these keep a beat."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.band import Band
from sidekeep.dsp.impulses.beat import BeatWatch, doubtful_beside
from sidekeep.dsp.impulses.lone import IN_DOUBT
from sidekeep.dsp.impulses.masking import heard_db
from sidekeep.dsp.impulses.onset import RISEN_DB, risen_db
from sidekeep.dsp.impulses.places import NOWHERE, Places
from sidekeep.dsp.impulses.repaired import (
    DOUBTFUL,
    FATE,
    LENGTH,
    LONE,
    MENDED,
    SIZE_DB,
    START,
    SURE,
    UNDONE,
    WALL,
    Repaired,
    lay_values,
)
from sidekeep.dsp.impulses.safety import beyond_doubt_share
from sidekeep.dsp.impulses.thump_policy import HEAD_DB, Head
from sidekeep.dsp.impulses.thumps import Thump
from sidekeep.flow.mend_doubts import APART, NO_DOUBT, PERHAPS_MUSIC, Doubts, Undone
from sidekeep.flow.ports import Audio
from sidekeep.flow.window import Window

Bools = NDArray[np.bool_]

FEW = 12
"""Places mended in a stretch: where there are no more, what nobody hears is left alone if it is most of them (``masking``). A
clean record of hard-cut samples got 17 to 23 false repairs a minute, 64 of 68 of them unheard; of what is mended on used records
a tenth is unheard, and true for the most part."""
HARDLY_DAMAGED_A_MIN = 60.0
"""Places a minute up to which a take is that of a record with hardly any damage, and what is believed only among others is left
(``lone``): all that was found so far and in the nine seconds behind. Clean records of real music had 0 to 36, but some 200 with
samples on a beat; used ones mostly some 500, down to 31 beneath the loudest music. Up to 45 alone 12 of 30 false ones stay, of
the first twelve seconds of a piece. By the nine seconds each way alone twice as many true ones were left on used records."""
WORN_A_S = 1.0
"""Places a second, over nine seconds each way, that a take must show whose sound ends where an encoder may have ended it: clean
music that was once in a lossy file shows up to 0.7, a used record 2.8 at 128 kbit/s and 9 at better rates or by a filter."""
ROOM_S = 0.04
"""Sound on both sides of what is asked for: more than the windows of ``masking`` and ``onset`` reach."""
ONSET_HEARD_DB = 21.0
"""What is taken out is no attack of a sound that sets in there if it stands so far over what is left (``masking``): an edge is
half hidden by the sound that it begins. Of 32 false repairs beneath an onset none does, of nine right ones six."""
PERHAPS_NATS, PERHAPS_DB = 4.0, 5.0
"""On a record with hardly any damage what takes out less than the second over what it leaves is told as perhaps music if it is
less than the first surer than it must be, or moves both walls in phase (``lone``)."""
IN_PHASE_SHARE = 0.02
"""Energy on the weaker wall over that on the other from which both are moved."""


@dataclass
class Chunk:
    """A stretch of the grid on its way."""

    start: int
    stop: int
    job: Future[Repaired] | None = None
    unsure_edge: bool = False
    """Whether its sound ends where an encoder may have ended it, and no file says that one did."""
    hardly_damaged: bool = False
    """Whether next to nothing is damaged up to it and a little beyond (``HARDLY_DAMAGED_A_MIN``)."""
    repaired: Repaired = field(default_factory=Repaired.none)
    """What was found in it, on frames of the take."""
    places: Places = field(default_factory=lambda: Places.of(Repaired.none(), np.zeros(1, np.int64)))
    taken_back: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    on_beat: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    """Of each place, once it is known: whether it is left as it was, and whether that is for the beat it keeps."""
    thumps: Future[list[tuple[Thump, Audio]]] | None = None
    low: int = 0
    """First frame of what the thumps were looked for in."""

    def kept(self) -> Repaired:
        """What is put in place of what was found."""
        return self.repaired.only(self._rows_kept())

    def _rows_kept(self) -> Bools:
        at = self.places.of_rows
        mended = self.repaired.spans[:, FATE] == MENDED
        kept = mended & (at != NOWHERE)
        kept[kept] = ~self.taken_back[at[kept]]
        return kept

    def beside(self, held: Window, rate_hz: int) -> Beside:
        """What would be put in place, and the sound round it as it was and as it would be."""
        kept = self.kept()
        starts, stops = kept.spans[:, START], kept.spans[:, START] + kept.spans[:, LENGTH]
        low = max(held.start, int(starts[0] - ROOM_S * rate_hz))
        before = held.view(low, int(stops.max() + ROOM_S * rate_hz))
        own = before.copy()
        lay_values(own, low, kept.spans, kept.values.astype(np.float32))
        return Beside(
            kept=kept,
            at=self.places.of_rows[self._rows_kept()],
            starts=starts - low,
            stops=stops - low,
            before=before,
            own=own,
        )

    def kept_places(self) -> int:
        """In how many places something would be put in place."""
        return len(np.unique(self.places.of_rows[self._rows_kept()]))

    def at_onsets(self, held: Window, rate_hz: int) -> Bools:
        """Of every place, whether a sound sets in where something would be put in place, and it is half hidden by that sound."""
        found = np.zeros(len(self.places), np.bool_)
        if not 0 < self.kept_places() <= FEW:
            return found
        beside = self.beside(held, rate_hz)
        for row, place in enumerate(beside.at.tolist()):
            first, last = int(beside.starts[row]), int(beside.stops[row])
            wall = int(beside.kept.spans[row, WALL])
            if (
                wall == self.places.walls[place]
                and risen_db(beside.own, wall, first, last, rate_hz) > RISEN_DB
            ):
                before, own = beside.before[:, wall], beside.own[:, wall]
                found[place] |= heard_db(before, own, first, last, rate_hz) < ONSET_HEARD_DB
        return found

    def unheard(self, held: Window, rate_hz: int) -> Bools:
        """Of every place, whether what would be put in place there is not heard, where those are most of few."""
        unheard, heard = np.zeros((2, len(self.places)), np.bool_)
        if not 0 < self.kept_places() <= FEW:
            return heard
        beside = self.beside(held, rate_hz)
        unheard[beside.at] = True
        # the largest first: most of them are heard, and then the rest need not be asked
        for row in np.argsort(-beside.kept.facts[:, SIZE_DB], kind="stable").tolist():
            place, wall = beside.at[row], beside.kept.spans[row, WALL]
            if heard[place]:
                continue
            first, last = int(beside.starts[row]), int(beside.stops[row])
            heard[place] = heard_db(beside.before[:, wall], beside.own[:, wall], first, last, rate_hz) >= 0.0
            if 2 * heard.sum() >= unheard.sum():
                return np.zeros_like(heard)
        return unheard & ~heard

    def doubts(self, held: Window, rate_hz: int) -> Doubts:
        """Of every row that is put in place, whether a person should hear it, for it may be music."""
        if not 0 < self.kept_places() <= FEW:
            return Doubts.none(len(self.kept()))
        beside = self.beside(held, rate_hz)
        loud = self.places.energy >= 10.0 ** (0.1 * PERHAPS_DB) * self.places.left
        unsure = np.zeros(len(self.places), np.bool_)
        unsure[beside.at[beside.kept.facts[:, SURE] < PERHAPS_NATS]] = True
        for place in np.unique(beside.at).tolist():
            if not unsure[place] and not loud[place]:
                rows = beside.at == place
                unsure[place] = beside.moves_in_phase(
                    int(beside.starts[rows].min()), int(beside.stops[rows].max())
                )
        grades = np.select(
            [loud, unsure & self.graded(IN_DOUBT), unsure], [NO_DOUBT, APART, PERHAPS_MUSIC], NO_DOUBT
        )
        nats = np.where(loud[beside.at], np.inf, beside.kept.facts[:, SURE])
        return Doubts(grades[beside.at], nats, beside.kept.facts[:, SIZE_DB])

    def undone(self) -> Undone:
        """What looked like damage and is left as it was."""
        spans, at = self.repaired.spans, self.places.of_rows
        is_undone = (spans[:, FATE] == UNDONE) | (spans[:, FATE] == DOUBTFUL)
        is_undone[at != NOWHERE] |= self.taken_back[at[at != NOWHERE]]
        return Undone(spans[is_undone, START], self.repaired.facts[is_undone, SIZE_DB])

    def graded(self, grade: float) -> Bools:
        """Of every place, whether one of its rows has such a grade (``lone``)."""
        found = np.zeros(len(self.places), np.bool_)
        rows = (self.repaired.facts[:, LONE] == grade) & (self.places.of_rows != NOWHERE)
        found[self.places.of_rows[rows]] = True
        return found

    def of_clean_music(self, near: list[Chunk], rate_hz: int) -> bool:
        """Whether it may be clean music that was once in a lossy file: too little seems damaged in it and in those near it."""
        if not self.unsure_edge:
            return False
        count = sum(int(np.count_nonzero(~one.places.left_alone)) for one in (self, *near))
        return count * rate_hz < WORN_A_S * sum(one.stop - one.start for one in (self, *near))

    def heads(self, low: int) -> list[Head]:
        """Ticks hard enough to have a tail, mended or left for doubt, in order, on frames from ``low`` on: not what keeps
        the beat."""
        rows = np.flatnonzero((self.repaired.facts[:, SIZE_DB] >= HEAD_DB) & (self.places.of_rows != NOWHERE))
        left = self.repaired.spans[rows, FATE] == DOUBTFUL
        rows = rows[left | ~self.on_beat[self.places.of_rows[rows]]]
        spans = self.repaired.spans[rows]
        sizes_db = self.repaired.facts[rows, SIZE_DB]
        starts = spans[:, START] - low
        stops = starts + spans[:, LENGTH]
        order = np.lexsort((sizes_db, stops, starts))
        columns = (starts[order].tolist(), stops[order].tolist(), sizes_db[order].tolist())
        return list(zip(*columns, strict=True))


@dataclass(frozen=True, kw_only=True)
class Beside:
    """What would be put in place in a chunk: its rows, the place of each, and frames of the sound round them, as it is (a view of
    what is held: good until something is put in place) and as it would be."""

    kept: Repaired
    at: NDArray[np.int64]
    starts: NDArray[np.int64]
    stops: NDArray[np.int64]
    before: Audio
    own: Audio

    def moves_in_phase(self, first: int, last: int) -> bool:
        """Whether what is taken out of ``[first, last)`` moves both walls the same way."""
        taken_out = self.before[first:last] - self.own[first:last]
        if taken_out.shape[1] != 2:
            return False
        energy = np.square(taken_out).sum(axis=0)
        is_of_both = bool(energy.min() >= IN_PHASE_SHARE * energy.max())
        return is_of_both and float(taken_out[:, 0] @ taken_out[:, 1]) > 0.0


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
) -> tuple[Bools, Bools]:
    """Of every place of a chunk, whether it keeps a beat that those before and behind keep, and whether it is left for doubt:
    because most of what is taken out there does, or because nine seconds may not bear more that is doubtful by itself."""
    if not len(chunk.places):
        return np.zeros(0, np.bool_), np.zeros(0, np.bool_)
    places = [one.places for one in (*before, chunk, *behind)]
    at = len(before)
    begins = np.cumsum([0, *(len(one) for one in places)]).tolist()
    peaks = np.concatenate([one.peaks for one in places])
    lengths_s = np.concatenate([one.lengths for one in places]) / rate_hz
    walls = np.concatenate([one.walls for one in places])
    energy = np.concatenate([one.energy for one in places])
    kept = beats.on_the_beat(peaks / rate_hz, lengths_s, walls, energy)
    beside = places[max(0, at - 1) : at + 2]
    near = slice(begins[max(0, at - 1)], begins[min(len(places), at + 2)])
    left_alone = np.concatenate([one.left_alone for one in beside])
    # what was left off the beat is no part of what is taken out there
    counted = ~left_alone | kept[near]
    doubtful = np.zeros(len(counted), dtype=np.bool_)
    left = np.concatenate([one.left for one in beside])
    doubtful[counted] = doubtful_beside(
        kept[near][counted], lengths_s[near][counted], energy[near][counted], left[counted]
    )
    made = ~left_alone & ~kept[near] & ~doubtful
    doubts = np.concatenate([one.doubts for one in beside])
    sure = float(energy[near][made & (doubts == 0.0)].sum())
    doubtful |= beyond_doubt_share(doubts * energy[near], made & (doubts > 0.0), sure)
    own = slice(begins[at] - near.start, begins[at + 1] - near.start)
    return kept[begins[at] : begins[at + 1]], doubtful[own]
