"""One rate: change it, cut it, drop bits, hand on. Every branch and every exact kind has its own thread.

A *branch* serves all kinds of one target rate, so the rate is changed once and 24 bits are made once, however
many kinds want them. Queues are short: memory does not grow with the length of a side, and the render waits
when the encoders are behind.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from sidekeep.copies.plan.planned import PlannedFile
from sidekeep.copies.run.spill import SpillWriter
from sidekeep.copies.tracks.cutting import SideAudio, SideCutter, side_cuts
from sidekeep.copies.tracks.levels import Piece
from sidekeep.dsp.output.dither import Quantiser
from sidekeep.errors import Cancelled
from sidekeep.files.writing.sink import FileSink

QUEUE_BLOCKS = 6
_WAIT_S = 0.2

Item = TypeVar("Item")


class Worker(Generic[Item]):
    """A thread with a short queue. After a failure it swallows what comes and ``failure`` tells why."""

    def __init__(self, name: str, handle: Callable[[Item], None], stop: threading.Event) -> None:
        self.failure: BaseException | None = None
        self._handle = handle
        self._stop = stop
        self._queue: queue.Queue[Item | None] = queue.Queue(QUEUE_BLOCKS)
        self._thread = threading.Thread(target=self._run, name=f"copies-{name}", daemon=True)
        self._thread.start()

    def put(self, item: Item) -> None:
        """Hand over; waits while the queue is full. Raises ``Cancelled`` when the run was stopped."""
        self._put(item)

    def join(self) -> None:
        """Let it finish what it has."""
        if self._thread.is_alive():
            self._put(None)
            self._thread.join()

    def _put(self, item: Item | None) -> None:
        while True:
            try:
                self._queue.put(item, timeout=_WAIT_S)
                return
            except queue.Full:
                if self._stop.is_set() and item is not None:
                    raise Cancelled("copies-stopped") from None

    def _run(self) -> None:
        while (item := self._queue.get()) is not None:
            if self.failure is None and not self._stop.is_set():
                try:
                    self._handle(item)
                except BaseException as problem:
                    self.failure = problem
                    self._stop.set()


class ExactWriter:
    """Writes the files of one exact kind, one after the other, from whole-number blocks."""

    def __init__(
        self,
        files: Sequence[PlannedFile],
        start: Callable[[PlannedFile], FileSink],
        done: Callable[[PlannedFile, FileSink], None],
    ) -> None:
        self._by_piece = {piece: planned for planned in files for piece in planned.pieces}
        self._start = start
        self._done = done
        self._planned: PlannedFile | None = None
        self._sink: FileSink | None = None
        self._frames = 0

    def handle(self, item: tuple[Piece, NDArray[np.int32]]) -> None:
        """Append a block to the file its piece belongs to; hand a full file on."""
        piece, block = item
        planned = self._by_piece.get(piece)
        if planned is None:
            return
        if self._sink is None or planned is not self._planned:
            self._planned, self._sink, self._frames = planned, self._start(planned), 0
        if block.shape[1] < planned.channels:
            # A mono side among stereo ones, or on a CD: dithered once, it plays as the mono record it is.
            block = np.repeat(block, planned.channels, axis=1)
        self._sink.write_int(block)
        self._frames += len(block)
        if self._frames == planned.length_frames:
            sink, self._sink = self._sink, None
            self._done(planned, sink)

    def abandon(self) -> None:
        """Leave no half file."""
        if self._sink is not None:
            self._sink.abandon()
            self._sink = None


class Branch:
    """Everything of one target rate."""

    def __init__(
        self,
        sides: Sequence[SideAudio],
        rate_hz: int,
        *,
        wanted: frozenset[int],
        for_cd: bool,
        dither_seed: int,
        outlets: Mapping[int, Sequence[Worker[tuple[Piece, NDArray[np.int32]]]]],
        spill_paths: Mapping[Piece, Path],
        spilled: Callable[[Piece, Path], None],
    ) -> None:
        self._sides = sides
        self._rate_hz = rate_hz
        self.wanted = wanted
        """Indexes of the sides that go through here; the others need another rate."""
        self._for_cd = for_cd
        self._seed = dither_seed
        self._outlets = outlets
        self._spill_paths = spill_paths
        self._spilled = spilled
        self._spill: SpillWriter | None = None
        self._side = -1
        self._cutter: SideCutter | None = None
        self._quantisers: dict[int, _Rounder] = {}
        self.held_samples = 0
        self._cuts = [side_cuts(side, rate_hz, for_cd=for_cd) for side in sides]

    def handle(self, item: tuple[int, int, NDArray[np.float64]]) -> None:
        """The next block of a side's track."""
        side, track, block = item
        if side != self._side:
            self._begin(side)
        assert self._cutter is not None
        for out_track, out in self._cutter.process(track, block):
            self._emit((side, out_track), out)
        if self._cutter.is_complete:
            for out_track, out in self._cutter.flush():
                self._emit((side, out_track), out)

    def abandon(self) -> None:
        """Leave no half spill."""
        if self._spill is not None:
            self._spill.drop()
            self._spill = None

    def _begin(self, side: int) -> None:
        audio, rate_hz = self._sides[side], self._rate_hz
        self._side = side
        self._cutter = SideCutter(audio, rate_hz, for_cd=self._for_cd)
        # Dither is addressed by the place on the record, whichever sides are fed in this run.
        place = sum(self._cuts[before][-1][1] for before in range(side))
        keeps = audio.is_exact and audio.rate_hz == rate_hz
        self._quantisers = {
            bits: _Rounder(audio.channels, bits, self._seed, place, keeps_exact=keeps)
            for bits in self._outlets
        }

    def _emit(self, piece: Piece, block: NDArray[np.float64]) -> None:
        for bits, workers in self._outlets.items():
            rounder = self._quantisers[bits]
            before = rounder.held_samples
            whole = rounder.process(block)
            self.held_samples += rounder.held_samples - before
            for worker in workers:
                worker.put((piece, whole))
        path = self._spill_paths.get(piece)
        if path is None:
            return
        if self._spill is None:
            self._spill = SpillWriter(path)
        self._spill.write(block)
        start, stop = self._cuts[piece[0]][piece[1]]
        if self._spill.frames == stop - start:
            self._spill.close()
            self._spill = None
            self._spilled(piece, path)


class _Rounder:
    """TPDF dither to whole numbers; with ``keeps_exact`` samples that already are whole stay as they are."""

    def __init__(self, channels: int, bits: int, seed: int, place: int, *, keeps_exact: bool) -> None:
        self._dithered = Quantiser(channels, bits=bits, seed=seed, start_frame=place)
        self._top = 2.0 ** (bits - 1)
        self._keeps_exact = keeps_exact

    @property
    def held_samples(self) -> int:
        """Samples that lay past full scale."""
        return self._dithered.held_samples

    def process(self, block: NDArray[np.float64]) -> NDArray[np.int32]:
        whole: NDArray[Any] = self._dithered.process(block)
        if self._keeps_exact:
            scaled = block * self._top
            rounded = np.rint(scaled)
            fits = (scaled == rounded) & (rounded >= -self._top) & (rounded < self._top)
            np.copyto(whole, rounded, where=fits, casting="unsafe")
        return whole
