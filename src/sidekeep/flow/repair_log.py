"""What the mender did, as it is told and as it can be undone: the repairs, the samples that belong to each, the findings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.places import join_walls
from sidekeep.dsp.impulses.repaired import DAMAGED, LENGTH, START, WALL
from sidekeep.dsp.impulses.thumps import Thump
from sidekeep.flow.mend_doubts import PERHAPS_MUSIC, Doubts, Undone
from sidekeep.flow.patches import LAYERS, PatchPiece, PatchPieces
from sidekeep.flow.ports import Audio
from sidekeep.model.finding import Channel, Finding
from sidekeep.model.repair import Repair, RepairKind

POP_S = 0.0005
"""A repair longer than this is a pop, by the trade's use of the word."""
CRACKLE_DB = 24.0
"""A short repair below this over the local slope counts as crackle."""
CHANNELS: tuple[Channel, ...] = ("L", "R", "both")
KINDS: tuple[RepairKind, ...] = ("tick", "pop", "crackle", "thump")
_TICK, _POP, _CRACKLE, _THUMP = range(len(KINDS))
_BOTH = CHANNELS.index("both")
_REPLACE = LAYERS.index("replace")


class RepairLog:
    """Grows as the take is mended; frames are those of the take. After ``close`` repairs and findings are complete and in order,
    and ``owners`` says which of the repairs each one became when it was noted (those of two channels are joined).

    Repairs are noted as rows (first frame, last + 1, place in ``CHANNELS``, place in ``KINDS``) with their sizes beside them, and
    become objects when somebody asks for them.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz, self.channels = rate_hz, channels
        self.findings: list[Finding] = []
        self.owners: list[int] = []
        self._rows: list[NDArray[np.int64]] = []
        self._sizes_db: list[NDArray[np.float64]] = []
        self._doubts: list[Doubts] = []
        self._undone: list[Undone] = []
        self._noted = 0
        self._repairs: list[Repair] = []
        self._pieces: list[PatchPieces] = []

    @property
    def repairs(self) -> list[Repair]:
        """All that were noted so far: one list that grows until ``close``."""
        told = len(self._repairs)
        if told < self._noted:
            rows = np.concatenate(self._rows)[told:].tolist()
            sizes_db = np.concatenate(self._sizes_db)[told:].tolist()
            self._repairs += [
                Repair(
                    start_frame=start,
                    stop_frame=stop,
                    channel=CHANNELS[channel],
                    kind=KINDS[kind],
                    size_db=size_db,
                )
                for (start, stop, channel, kind), size_db in zip(rows, sizes_db, strict=True)
            ]
        return self._repairs

    def take_pieces(self) -> PatchPieces:
        """What was changed since the last time this was asked, repair by repair (``flow.patches``)."""
        pieces, self._pieces = self._pieces, []
        return PatchPieces.joined(pieces)

    def replaced(
        self,
        spans: NDArray[np.int64],
        sizes_db: NDArray[np.float64],
        values: NDArray[np.float32],
        doubts: Doubts,
    ) -> None:
        """Ticks, pops and crackle (rows of ``dsp.impulses.repaired``), the samples in their place, kept as they are, and whether
        they may be music."""
        starts, lengths, walls = spans[:, START], spans[:, LENGTH], spans[:, WALL]
        numbers = np.arange(len(spans)) + self._noted
        layers = np.full(len(spans), _REPLACE)
        self._pieces.append(PatchPieces(starts, lengths, numbers, walls, layers, values))
        long = spans[:, DAMAGED] / self.rate_hz > POP_S
        kinds = np.where(long, _POP, np.where(sizes_db > CRACKLE_DB, _TICK, _CRACKLE))
        channels = np.full(len(spans), _BOTH) if self.channels == 1 else walls
        self._note(np.stack([starts, starts + lengths, channels, kinds], axis=1), sizes_db, doubts)

    def undone(self, undone: Undone) -> None:
        """What looked like damage and is left as it was."""
        self._undone.append(undone)

    def taken_off(self, thump: Thump, tail: Audio, first_frame: int) -> None:
        """A thump, whose frames count from ``first_frame``, and the tail that was subtracted for it."""
        start = first_frame + thump.start_frame
        pieces = [
            PatchPiece(start, at, "subtract", tail[:, at], self._noted)
            for at in range(self.channels)
            if tail[:, at].any()
        ]
        self._pieces.append(PatchPieces.of(pieces))
        channel = CHANNELS.index(thump.channel) if thump.channel in ("L", "R") else _BOTH
        row = np.array([[start, first_frame + thump.stop_frame, channel, _THUMP]])
        self._note(row, np.array([thump.size_db]), Doubts.none(1))

    def too_long(self, start: int, stop: int, channel: int) -> None:
        """Damage that is left as it is, since nothing may be invented there."""
        length_ms = 1000.0 * (stop - start) / self.rate_hz
        self.findings.append(
            Finding(
                kind="too-long-to-mend",
                start_frame=start,
                stop_frame=stop,
                channel="both" if self.channels == 1 else CHANNELS[channel],
                severity="look",
                facts={"length_ms": length_ms},
            )
        )

    def decoded(self, frames: int) -> None:
        """The whole take was decoded from an MP3 file."""
        self.findings.append(
            Finding(kind="decoded-copy", start_frame=0, stop_frame=frames, channel="both", severity="note")
        )

    def close(self, *, is_hardly_damaged: bool) -> None:
        """Nothing more will come: overlapping repairs of two channels become one on both, and all are in order. What may be music
        is told of a take with hardly any damage alone, and left there if it is in doubt: elsewhere nearly all of it is damage."""
        rows = np.concatenate([np.empty((0, 4), np.int64), *self._rows])
        order = np.lexsort((rows[:, 2], rows[:, 0]))
        rows, sizes_db = rows[order], np.concatenate([np.empty(0), *self._sizes_db])[order]
        places = np.empty(len(rows), np.int64)
        count = join_walls(rows, sizes_db, _BOTH, _THUMP, places)
        owners = np.empty(len(rows), np.int64)
        owners[order] = places
        self.owners = owners.tolist()
        self._rows, self._sizes_db = [rows[:count]], [sizes_db[:count]]
        self._repairs, self._noted = [], count
        if is_hardly_damaged:
            self._look_at_doubts(Doubts.joined(self._doubts, owners, count), rows[:count, 0])
        self.findings.sort(key=lambda f: (f.start_frame, f.channel))

    def _look_at_doubts(self, doubts: Doubts, starts: NDArray[np.int64]) -> None:
        left = doubts.left(starts, Undone.joined(self._undone), self.rate_hz)
        for owner in np.flatnonzero(left | (doubts.grades >= PERHAPS_MUSIC)).tolist():
            repair = self.repairs[owner] = replace(self.repairs[owner], in_doubt=bool(left[owner]))
            self.findings.append(
                Finding(
                    kind="left-in-doubt" if repair.in_doubt else "perhaps-music",
                    start_frame=repair.start_frame,
                    stop_frame=repair.stop_frame,
                    channel=repair.channel,
                    severity="note",
                    facts={"repair": repair.id},
                )
            )

    def _note(self, rows: NDArray[np.int64], sizes_db: NDArray[np.float64], doubts: Doubts) -> None:
        self._doubts.append(doubts)
        self._rows.append(rows)
        self._sizes_db.append(np.round(sizes_db, 2))
        self._noted += len(rows)
