"""The mending step: finds impulses and weighs them out of the music, in blocks, with everything else untouched.

Conventions: blocks are (frames, channels) float64 in and out; positions are frames from the first one given to
``process``. The take is cut into chunks on a fixed grid; each is mended with margins of context on both sides, so
results do not depend on the sizes of the blocks. Chunks run side by side in two threads, thumps in one of their own;
what an earlier chunk found is used (the turn of the disc) a fixed number of chunks later. Repairs wait until some chunks
after theirs are mended: those that keep the beat of the music are left out. Thumps are taken off in order, behind the
mended ticks at their heads, once the music after them has been mended as well. What is in doubt on a record with next to
no damage is known when all is heard: it is mended in the blocks that come out, and its repair says that it is to be left.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import cache

import numpy as np

from sidekeep.dsp.impulses.band import BandWatch
from sidekeep.dsp.impulses.beat import BeatWatch
from sidekeep.dsp.impulses.evidence.weights import fitted_weights
from sidekeep.dsp.impulses.full_band import mend_stretch, rate_factor_of
from sidekeep.dsp.impulses.lone import ALONE
from sidekeep.dsp.impulses.mending import Manner
from sidekeep.dsp.impulses.places import NOWHERE, Places
from sidekeep.dsp.impulses.repaired import (
    FATE,
    LENGTH,
    MENDED,
    PEAK,
    SIZE_DB,
    START,
    TOO_LONG,
    WALL,
    Repaired,
    lay_values,
)
from sidekeep.dsp.impulses.thump_policy import take_thumps
from sidekeep.dsp.impulses.thumps import get_ready
from sidekeep.dsp.turn.forecast import TurnForecast
from sidekeep.errors import ParameterError
from sidekeep.flow.mend_chunks import HARDLY_DAMAGED_A_MIN, Chunk, LookedAt, ask_beat
from sidekeep.flow.numbers import OddFrames
from sidekeep.flow.patches import PatchPieces
from sidekeep.flow.ports import Audio
from sidekeep.flow.repair_log import RepairLog
from sidekeep.flow.window import Window
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import MendSettings
from sidekeep.model.repair import Repair

MENDER_VERSION = 22
"""Raise it with every change of the code that may change a mended sample: kept surveys are made again then."""
THREADS = 2
"""Two cores are what a machine has at least; no sample depends on it."""
IN_FLIGHT = 3
"""Chunks waiting or running before the oldest is waited for."""
CHUNK_FRAMES = 1 << 17
"""Some three seconds at 44.1 and 48 kHz (chosen here). Another size mends otherwise: it belongs to the version."""
BEAT_CHUNKS = 3
"""Chunks before and after one whose repairs tell whether its own keep a beat: nine seconds each way, in which a slow beat comes
ten times."""
MARGIN_FRAMES = 4096
"""Context on each side of a chunk; both at 44.1 and 48 kHz."""
ASKED_CHUNKS = 10
"""A take that is not to be mended is looked at for so many chunks, some thirty seconds, whether it was decoded from an MP3."""
THUMP_BEFORE_S, THUMP_AFTER_S = 0.6, 0.75
"""Sound beside a chunk that the tails of thumps are told from and reach into (chosen here)."""

LOSSY_NATS = 1.5
"""How much surer a repair must be in a lossy file, or in one whose sound ends where an encoder may have ended it: what an encoder
does to clean music looks like damage at times. It halves the false repairs there. Where much is damaged brief repairs need not be
(``mending``): they cost 3 to 6 % of the strong damage of worn records."""
MANNERS = {
    "gentle": Manner(open_at=5.0, odds=2.5),
    "even": Manner(open_at=4.6, odds=1.0),
    "thorough": Manner(open_at=4.2, odds=-0.5),
}
"""Chosen on the bench of mending; ``gentle`` and ``thorough`` are a step to either side of ``even``."""


@cache
def mender_identity() -> str:
    """What decides the samples besides take and settings: the version and the fitted weights."""
    weights = fitted_weights()
    shares = np.array([weights.share, weights.edges_share])
    digest = hashlib.sha256(shares.astype("<f8").tobytes())
    for network in weights.networks.values():
        for values in network:
            digest.update(values.astype("<f8").tobytes())
    return f"{MENDER_VERSION}-{digest.hexdigest()[:16]}"


class Mender:
    """Mends ticks, pops, crackle and thumps as the blocks pass; see the module for the conventions.

    ``repairs`` and ``findings`` grow as chunks are finished and are complete and in order after ``flush``; ``owners``
    then says which of the repairs each one became when they were noted (those of two channels are joined).
    ``lossy``: the take is a file that went through a lossy encoder, whose upper edge is believed all through. A take that was
    decoded from an MP3 is treated so from where its sound says so, mostly from its first second on.
    ``use_turn``, ``use_beat`` and ``use_thumps`` exist for measurements: what the turn of the disc, the beat of the
    music and the thumps are worth.
    """

    def __init__(
        self,
        settings: MendSettings,
        *,
        rate_hz: int,
        channels: int,
        lossy: bool = False,
        use_turn: bool = True,
        use_beat: bool = True,
        use_thumps: bool = True,
    ) -> None:
        if channels not in (1, 2):
            raise ParameterError("mend-channels", channels=channels)
        if not 8_000 <= rate_hz <= 384_000:
            raise ParameterError("rate-range", rate_hz=rate_hz)
        self.settings = settings
        self.rate_hz = rate_hz
        self.channels = channels
        self.use_turn, self.use_beat, self.use_thumps = use_turn, use_beat, use_thumps
        self.manner = MANNERS[settings.size]
        self.rate_factor = rate_factor_of(rate_hz)
        self.chunk = CHUNK_FRAMES * self.rate_factor
        self.margin = MARGIN_FRAMES * self.rate_factor
        self.latency_frames = (IN_FLIGHT + BEAT_CHUNKS + 4) * self.chunk + self.margin
        self._log, self._odd = RepairLog(rate_hz, channels), OddFrames()
        self._bands = BandWatch(rate_hz, self.rate_factor, lossy=lossy)
        self._prior, self._beats = TurnForecast(), BeatWatch()
        self._pool = ThreadPoolExecutor(THREADS, thread_name_prefix="mend")
        self._tails = ThreadPoolExecutor(1, thread_name_prefix="thumps")
        if use_thumps and settings.enabled:
            self._tails.submit(get_ready, rate_hz)
        self._held = Window(channels, self.latency_frames)
        self._next_chunk = 0
        self._looked_at: list[LookedAt] = []
        self._running: list[Chunk] = []
        self._waiting: list[Chunk] = []
        self._settled: list[Chunk] = []
        self._mended: list[Chunk] = []
        self._last_stops = np.zeros(channels, np.int64)
        self._found, self._kept = 0, 0
        self._out_frame = 0

    @property
    def repairs(self) -> list[Repair]:
        return self._log.repairs

    @property
    def findings(self) -> list[Finding]:
        return [*self._odd.findings, *self._log.findings]

    @property
    def owners(self) -> list[int]:
        return self._log.owners

    @property
    def lossy(self) -> bool:
        """Whether the take went through a lossy encoder, by its file or by its sound."""
        return self._bands.lossy

    def process(self, block: Audio) -> Audio:
        """Take frames in; mended frames come out ``latency_frames`` or less behind. What is not a number
        comes out as silence: the kernels cannot bear it."""
        self._held.append(self._odd.cleaned(block))
        out: list[Audio] = []
        while self._held.stop >= self._next_chunk + self.chunk + self.margin:
            self._look(self._next_chunk + self.chunk)
            out += self._begin(waiting=1)
        return out[0] if len(out) == 1 else np.concatenate([*out, np.empty((0, self.channels))])

    def flush(self) -> Audio:
        """The rest of the frames; repairs are complete afterwards."""
        return np.concatenate([np.empty((0, self.channels)), *self.drain()])

    def drain(self) -> Iterator[Audio]:
        """The same in parts, each as soon as it is there; repairs are complete after the last."""
        while self._next_chunk < self._held.stop:
            self._look(min(self._held.stop, self._next_chunk + self.chunk))
            if self._next_chunk < self._held.stop:
                yield from self._begin(waiting=1)
        self._bands.end()
        yield from self._begin()
        while self._running:
            self._finish()
            yield from self._advance()
        while self._waiting:
            yield from self._advance(last=True)
        while self._mended:
            yield self._release(last=True)
        self._pool.shutdown()
        self._tails.shutdown()
        if self._bands.was_decoded:
            self._log.decoded(self._held.stop)
        self._log.close(is_hardly_damaged=self._is_next_to_none(self._kept, self._out_frame))

    def may_be_in_doubt(self, length_frames: int) -> bool:
        """Whether a take that long may still be one with next to no damage, on which repairs can be in doubt."""
        return self._is_next_to_none(self._kept, length_frames)

    def take_pieces(self) -> PatchPieces:
        """What was changed since the last time this was asked, repair by repair (``flow.patches``)."""
        return self._log.take_pieces()

    def _advance(self, *, last: bool = False) -> list[Audio]:
        """Settle the chunk that has waited long enough; let go of the one whose two neighbours after it are settled, and begin
        with the thumps of the next."""
        if len(self._waiting) <= BEAT_CHUNKS and not last:
            return []
        self._settle()
        released = [self._release()] if len(self._mended) > 2 else []
        if len(self._mended) > 1:
            self._begin_thumps(self._mended[0])
        return released

    def _look(self, stop: int) -> None:
        """Take the next chunk of the grid and look where its sound ends: the first of a take is not mended before it is known
        whether the next one ends there too."""
        chunk = Chunk(self._next_chunk, stop)
        self._next_chunk = stop
        low = max(self._held.start, chunk.start - self.margin)
        planes = self._held.view(low, stop + self.margin).T
        band = None
        if self.settings.enabled:
            planes = planes.copy(order="C")
        if self.settings.enabled or self._next_chunk <= ASKED_CHUNKS * self.chunk:
            band = self._bands.look(planes, low)
        self._looked_at.append(LookedAt(chunk=chunk, low=low, planes=planes, band=band))

    def _begin(self, *, waiting: int = 0) -> list[Audio]:
        """Begin to mend what was looked at, all but so many chunks; what is done on the way."""
        out: list[Audio] = []
        while len(self._looked_at) > waiting:
            # the next begins as soon as the oldest is there: all that waits until then is done while they run
            finished = len(self._running) >= IN_FLIGHT
            if finished:
                self._finish()
            looked = self._looked_at.pop(0)
            if self.settings.enabled:
                looked.chunk.job = self._mend(looked)
            self._running.append(looked.chunk)
            if finished:
                out += self._advance()
        return out

    def _mend(self, looked: LookedAt) -> Future[Repaired]:
        chunk, low = looked.chunk, looked.low
        due = [
            ((time_s - low / self.rate_hz) * self.rate_hz, wide_s * self.rate_hz, odds, walls)
            for time_s, wide_s, odds, walls in self._prior.expected_walls(
                (low - self.margin) / self.rate_hz, (chunk.stop + self.margin) / self.rate_hz
            )
        ]
        manner = self.manner
        band = self._bands.believed(looked.band)
        chunk.unsure_edge = band is not None and not band.is_looked_after and not self.lossy
        if self.lossy or chunk.unsure_edge:
            manner = replace(manner, wary=LOSSY_NATS)
        return self._pool.submit(
            mend_stretch,
            looked.planes,
            self.rate_hz,
            manner,
            due,
            chunk.start - low,
            chunk.stop - low,
            band,
        )

    def _finish(self) -> None:
        """Wait for the oldest chunk that runs; its repairs wait from now on."""
        chunk = self._running.pop(0)
        self._waiting.append(chunk)
        if chunk.job is None:
            return
        found = chunk.job.result().moved(max(0, chunk.start - self.margin))
        chunk.repaired, chunk.places = found, Places.of(found, self._last_stops)
        self._found += int(np.count_nonzero(~chunk.places.left_alone))
        fates = found.spans[:, FATE]
        for row in found.spans[fates == TOO_LONG].tolist():
            self._log.too_long(row[START], row[START] + row[LENGTH], row[WALL])
        rows = np.flatnonzero((fates == MENDED) & (chunk.places.of_rows != NOWHERE))
        if self.use_turn and len(rows):
            times_s = found.spans[rows, PEAK] / self.rate_hz
            sizes = [10 ** (size_db / 20) for size_db in found.facts[rows, SIZE_DB].tolist()]
            self._prior.add(np.stack([times_s, 1 << found.spans[rows, WALL], sizes], axis=1))

    def _settle(self) -> None:
        """Put the new samples of the chunk that has waited longest in place, but for those that keep the beat of the music, and
        all where this is more likely clean music."""
        chunk = self._waiting.pop(0)
        beats = doubtful = np.zeros(len(chunk.places), np.bool_)
        if self.use_beat:
            beats, doubtful = ask_beat(self._beats, self._settled, chunk, self._waiting, self.rate_hz)
        chunk.taken_back, chunk.on_beat = beats | doubtful, beats & ~doubtful
        chunk.taken_back |= chunk.of_clean_music([*self._settled, *self._waiting], self.rate_hz)
        reached = self._waiting[-1].stop if self._waiting else chunk.stop
        chunk.hardly_damaged = self._is_next_to_none(self._found, reached)
        if chunk.hardly_damaged:
            chunk.taken_back |= chunk.graded(ALONE)
        self._kept += chunk.kept_places()
        if self._is_next_to_none(self._kept, chunk.stop):
            chunk.taken_back |= chunk.at_onsets(self._held, self.rate_hz)
        chunk.taken_back |= chunk.unheard(self._held, self.rate_hz)
        self._log.undone(chunk.undone())
        self._put(chunk)
        self._settled = [*self._settled, chunk][-BEAT_CHUNKS:]
        self._mended.append(chunk)

    def _is_next_to_none(self, places: int, reached: int) -> bool:
        """Whether so many places up to a frame are those of a record with next to no damage."""
        return places * 60.0 * self.rate_hz <= HARDLY_DAMAGED_A_MIN * reached

    def _put(self, chunk: Chunk) -> None:
        """Put the new samples of repairs in place and note them."""
        kept = chunk.kept()
        if not len(kept):
            return
        # As the patches will hold them: what is measured here is then, to the last bit, what is rendered, and the last
        # digits of a least-squares fit, which differ from one run to the next, are gone.
        values = kept.values.astype(np.float32)
        doubts = chunk.doubts(self._held, self.rate_hz)
        first = int(kept.spans[0, START])
        lay_values(self._held.view(first, self._held.stop), first, kept.spans, values)
        self._log.replaced(kept.spans, kept.facts[:, SIZE_DB], values, doubts)

    def _release(self, *, last: bool = False) -> Audio:
        """Let the oldest mended chunk go, its thumps taken off."""
        chunk = self._mended.pop(0)
        if last:
            self._begin_thumps(chunk)
        self._finish_thumps(chunk)
        out: Audio = self._held.view(self._out_frame, chunk.stop).copy()
        self._out_frame = chunk.stop
        context = max(self.margin, int(THUMP_BEFORE_S * self.rate_hz))
        self._held.drop_before(min(self._out_frame, self._next_chunk) - context)
        return out

    def _begin_thumps(self, chunk: Chunk) -> None:
        """Look for tails in a chunk whose own ticks, and those of the chunk after, are mended."""
        if not self.use_thumps or chunk.job is None or chunk.thumps is not None:
            return
        low = max(self._held.start, chunk.start - int(THUMP_BEFORE_S * self.rate_hz))
        reach = self._mended[1].stop if len(self._mended) > 1 and self._mended[0] is chunk else chunk.stop
        high = min(reach, chunk.stop + int(THUMP_AFTER_S * self.rate_hz))
        chunk.low = low
        view = self._held.view(low, high).copy()
        chunk.thumps = self._tails.submit(
            take_thumps,
            view,
            chunk.heads(low),
            chunk.start - low,
            chunk.stop - low,
            self.rate_hz,
            hardly_damaged=chunk.hardly_damaged,
        )

    def _finish_thumps(self, chunk: Chunk) -> None:
        if chunk.thumps is None:
            return
        for thump, tail in chunk.thumps.result():
            # Taken off as the patches will hold it, for the same reason.
            tail = tail.astype(np.float32)
            start = chunk.low + thump.start_frame
            self._held.view(start, start + len(tail))[:] -= tail
            self._log.taken_off(thump, tail, chunk.low)
