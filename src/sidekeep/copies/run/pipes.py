"""The pipes of a run: what is fed goes once through a branch for every rate, on to the writers, and to the level tracker.

Each has a thread of its own with a short queue.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.copies.kinds.table import KINDS
from sidekeep.copies.plan.planned import CopyPlan, PlannedFile
from sidekeep.copies.run.branch import Branch, ExactWriter, Worker
from sidekeep.copies.run.exact_files import ExactFiles
from sidekeep.copies.run.making import Making
from sidekeep.copies.tracks.levels import LevelTracker, Piece

BranchKey = tuple[int, bool]
"""Target rate, and whether cuts fall on CD frames."""


class Pipes:
    """``spilled`` is called, on the thread of a branch, with every piece whose samples are laid down for the lossy kinds."""

    def __init__(
        self,
        plan: CopyPlan,
        making: Making,
        exact: ExactFiles,
        *,
        spilled: Callable[[Piece, Path], None],
        stop: threading.Event,
    ) -> None:
        self._plan = plan
        self._making = making
        self._exact = exact
        self._spilled = spilled
        self._stop = stop
        self._branches: list[tuple[Branch, Worker[Any]]] = []
        self._writers: list[tuple[ExactWriter, Worker[Any]]] = []
        self._tracking: Worker[Any] | None = None
        self._tracked_sides: frozenset[int] = frozenset()

    def open_branches(self, files: Sequence[PlannedFile]) -> None:
        """Lay what these files are made through."""
        groups: dict[BranchKey, list[PlannedFile]] = {}
        for planned in files:
            groups.setdefault((planned.rate_hz, KINDS[planned.kind].scope == "cd"), []).append(planned)
        for key, those in groups.items():
            self._branches.append(self._open_branch(key, those))

    def track_levels(self, tracker: LevelTracker, sides: frozenset[int]) -> None:
        """Let a tracker hear some of the sides."""
        self._tracked_sides = sides
        self._tracking = Worker("levels", lambda item: tracker.process(*item), self._stop)

    def put(self, side: int, track: int, rate_hz: int, block: NDArray[np.float64]) -> None:
        """Hand frames to all that want them; waits while they are behind. Raises ``Cancelled``."""
        for branch, worker in self._branches:
            if side in branch.wanted:
                worker.put((side, track, block))
        if self._tracking is not None and side in self._tracked_sides:
            self._tracking.put(((side, track), rate_hz, block))

    def join(self) -> None:
        """Let all that was handed over run through."""
        for _, worker in (*self._branches, *self._writers):
            worker.join()
        if self._tracking is not None:
            self._tracking.join()

    def abandon(self) -> None:
        """Let everything half done go; the run is stopped already."""
        for branch, worker in self._branches:
            worker.join()
            branch.abandon()
        for writer, worker in self._writers:
            worker.join()
            writer.abandon()
        if self._tracking is not None:
            self._tracking.join()

    def failures(self) -> list[BaseException]:
        """What went wrong in any of the threads."""
        workers = [worker for _, worker in (*self._branches, *self._writers)]
        if self._tracking is not None:
            workers.append(self._tracking)
        return [worker.failure for worker in workers if worker.failure is not None]

    @property
    def held_samples(self) -> int:
        """How many samples of a branch had to be held at full scale, at most."""
        return max((branch.held_samples for branch, _ in self._branches), default=0)

    def _open_branch(self, key: BranchKey, files: list[PlannedFile]) -> tuple[Branch, Worker[Any]]:
        rate_hz, for_cd = key
        outlets: dict[int, list[Worker[Any]]] = {}
        spill_paths: dict[Piece, Path] = {}
        # Sides of one record may differ in word length.
        for name, bits in dict.fromkeys((planned.kind, planned.bits) for planned in files):
            mine = [planned for planned in files if (planned.kind, planned.bits) == (name, bits)]
            if mine[0].is_lossy:
                for planned in mine:
                    paths = self._making.spill_paths(planned).items()
                    spill_paths |= {piece: path for piece, path in paths if not self._making.has_spill(path)}
                continue
            writer = ExactWriter(mine, self._exact.start, self._exact.full)
            worker: Worker[Any] = Worker(name, writer.handle, self._stop)
            self._writers.append((writer, worker))
            outlets.setdefault(bits, []).append(worker)
        branch = Branch(
            self._plan.sides,
            rate_hz,
            wanted=frozenset(side for planned in files for side, _ in planned.pieces),
            for_cd=for_cd,
            dither_seed=self._plan.dither_seed,
            outlets=outlets,
            spill_paths=spill_paths,
            spilled=self._spilled,
        )
        return branch, Worker(f"branch-{rate_hz}", branch.handle, self._stop)
