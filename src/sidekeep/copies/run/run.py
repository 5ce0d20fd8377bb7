"""The run that writes the copies: fed once through the record, everything else in parallel.

::

    feed -> branch per rate (resample, cut) -> 24/16 bits (dither once) -> writer per exact kind -> .making/
                                           \\-> spill per track -> encoder jobs on all cores    -> .making/
         -> level tracker (ReplayGain), unless levels were given
    finish: lossy peaks under the ceiling -> tags -> checksums -> history -> final names -> manifest

Files are finished, read back and compared in ``.making`` (inside the record's folder) and get their final
names only in ``finish``. A run that dies leaves ``.making``; the next one goes on from what is whole there.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from sidekeep.copies.kept.history import FileEntry, Staged, read_history
from sidekeep.copies.kept.names_on_disk import called_as_listed
from sidekeep.copies.master.build import build_master, look_at_master
from sidekeep.copies.plan.planned import CopyPlan, PlannedFile
from sidekeep.copies.run.exact_files import ExactFiles
from sidekeep.copies.run.finish import Finisher, WrittenFile
from sidekeep.copies.run.lossy_files import LossyFiles
from sidekeep.copies.run.making import Making
from sidekeep.copies.run.notes import clipped_finding, kept_findings, raise_first, rising
from sidekeep.copies.run.pipes import Pipes
from sidekeep.copies.run.successors import (
    MASTER_FOLDER,
    check_folder,
    entry_matches,
    guard_outputs,
    settle_folder,
    with_other_sides,
)
from sidekeep.copies.run.thread_jobs import ThreadJobs
from sidekeep.copies.tracks.levels import LevelTracker, Piece, RecordLevels
from sidekeep.errors import Cancelled, ChecksumError, CopyError, ParameterError
from sidekeep.files.atomic import copy_error
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.model.finding import Finding


class CopyRun:
    """One run over a plan: ``begin``, ``feed`` every needed side in order, ``finish``; or ``abandon``.

    As a context manager it begins, and abandons when an exception passes through. ``findings`` grow with
    what was noticed (a lossy kind that had to be lowered, ...).
    """

    def __init__(self, plan: CopyPlan, *, threads: int | None = None) -> None:
        self.plan = plan
        self.findings: list[Finding] = list(plan.findings)
        self.levels: RecordLevels | None = plan.levels
        self._threads = threads or os.cpu_count() or 2
        self._stop = threading.Event()
        self._tracker: LevelTracker | None = None
        self._needed_sides: set[int] = set()
        self._kept: dict[str, FileEntry] = {}
        self._taken_over: set[str] = set()
        self._master_sums: Mapping[str, str] = {}
        self._master_fresh = False
        self._state = "new"
        self._index_of = {side.side: index for index, side in enumerate(plan.sides)}

    # -- the four steps ------------------------------------------------------------------------------

    def begin(self) -> None:
        """Look at what is there, decide what is to be made, start the threads.

        Raises ``CopyError`` when files that are not ours, or were changed, stand in the way.
        """
        if self._state != "new":
            raise CopyError("run-begun")
        guard_outputs(self.plan)
        self._state = "open"
        self.findings += settle_folder(self.plan)
        self._making = Making(self.plan.folder, self.plan.sides)
        self._jobs = ThreadJobs(self._threads, self._stop)
        self._exact = ExactFiles(self.plan, self._making, self._jobs.submit, self._stop)
        self._pipes = Pipes(
            self.plan, self._making, self._exact, spilled=self._piece_spilled, stop=self._stop
        )
        try:
            self._history = read_history(self.plan.folder)
            called_as_listed(self.plan.folder, self._history.files)
            self.plan = with_other_sides(self.plan, self._history)
            fresh = self._sort_out()
            self._lossy = LossyFiles(
                self.plan,
                self._making,
                submit=self._jobs.submit,
                stop=self._stop,
                state_of=self._state_of,
                unkeep=self._unkeep,
            )
            self._begin_master()
            self._lay_pipes(fresh)
        except BaseException as problem:
            self.abandon()
            if isinstance(problem, OSError):
                raise copy_error(problem, self.plan.folder) from problem
            raise

    def needs_side(self, side: str) -> bool:
        """Whether frames of this side must be fed; sides that need not may be left out."""
        return self._index_of[side] in self._needed_sides

    def feed(
        self, side: str, track_index: int, block: NDArray[np.float64], *, is_given_away: bool = False
    ) -> None:
        """The next frames (n, channels) of a track, at the take's rate; sides and tracks in order. The caller
        may use the block again unless it ``is_given_away``, which saves a copy.

        Waits while the encoders are behind. Raises what went wrong in any thread, in one line.
        """
        index = self._index_of.get(side)
        if self._state != "open" or index is None:
            raise ParameterError("side-not-of-run", side=side)
        self._raise_failure()
        if index not in self._needed_sides or not len(block):
            return
        audio = self.plan.sides[index]
        if block.ndim != 2 or block.shape[1] != audio.channels:
            raise ParameterError("block-columns", shape=block.shape, channels=audio.channels)
        own = np.array(block, dtype=np.float64, order="C", copy=None if is_given_away else True)
        try:
            self._pipes.put(index, track_index, audio.rate_hz, own)
        except Cancelled:
            self._raise_failure()
            raise

    def finish(self, progress: Progress = no_progress) -> list[WrittenFile]:
        """Wait for the encoders, tag, check, give the names, write history and manifest.

        Files come in the order of the plan. On failure nothing half is left, and a later run goes on from
        what is whole.
        """
        progress = rising(progress)
        try:
            self._drain()
            self._take_levels()
            self._wait(progress, 0.0, 0.7)
            self._lower_lossy(progress)
            self._jobs.close()
            finisher = Finisher(
                plan=self.plan,
                making=self._making,
                history=self._history,
                levels=self.levels,
                kept=self._kept,
                taken_over=self._taken_over,
                master_sums=self._master_sums,
                master_fresh=self._master_fresh,
                threads=self._threads,
                stop=self._stop,
            )
            written = finisher.finish(progress)
            self.findings += kept_findings(finisher.left, self._history, self.plan, finisher.master_aside)
        except BaseException as problem:
            self.abandon()
            if isinstance(problem, OSError):
                raise copy_error(problem, self.plan.folder) from problem
            raise
        self._state = "finished"
        self._making.clear()
        return written

    def forget_others(self) -> None:
        """Before ``prepare``: what an earlier run made ready for another gain, or of sides that are cut otherwise, goes."""
        self._making.keep_only(self.plan.files)

    def prepare(self, progress: Progress = no_progress) -> int:
        """Instead of ``finish`` while other sides are still to come: what was fed is encoded and read back and waits, without
        a name, for the run that knows them all. The number of files that wait."""
        try:
            self._drain()
            if self._tracker is not None:
                self._making.note_heard(self._heard_whole(self._tracker).heard)
            self._wait(rising(progress), 0.0, 1.0)
        finally:
            self.abandon()
        return len(self.plan.files)

    def abandon(self) -> None:
        """Stop; nothing half stays, whole files in ``.making`` wait for the next run."""
        if self._state in ("finished", "abandoned"):
            return
        self._state = "abandoned"
        self._stop.set()
        self._pipes.abandon()
        self._jobs.close(cancel=True)
        self._exact.abandon()
        self._making.tidy()

    def __enter__(self) -> CopyRun:
        self.begin()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None or self._state == "open":
            self.abandon()
        if isinstance(problem, ChecksumError):
            # What was fed is not the take: none of it may wait for a run that trusts it.
            self._making.discard()

    # -- what is to be made ---------------------------------------------------------------------------

    def _sort_out(self) -> list[PlannedFile]:
        """Files whose audio must be made; the others are kept, re-tagged or taken from ``.making``."""
        on_disk = check_folder(self.plan, self._history, self._jobs.pool)
        by_audio = {entry.audio_key: entry for entry in on_disk.values() if entry.audio_key}
        fresh: list[PlannedFile] = []
        for planned in self.plan.files:
            entry = on_disk.get(planned.path)
            if entry is not None and entry_matches(entry, planned):
                self._kept[planned.path] = entry
            elif planned.audio_key in by_audio:
                self._making.take_over(planned, by_audio[planned.audio_key])
                self._taken_over.add(planned.path)
            elif not self._making.use_prepared(planned) and not self._making.holds(planned):
                fresh.append(planned)
        if self.levels is None:
            key = self.plan.record_key
            self.levels = self._history.levels.get(key) or self._making.levels(key)
        return fresh

    def _begin_master(self) -> None:
        if self.plan.master is None:
            return
        state = look_at_master(self.plan.master, self.plan.folder / MASTER_FOLDER, replace=self.plan.replace)
        if state.sums is not None:
            self._master_sums = state.sums
        else:
            self._master_fresh = True
            self._jobs.submit(self._build_master, state.key)

    def _build_master(self, key: str) -> None:
        assert self.plan.master is not None
        self._master_sums = build_master(self.plan.master, key, self._making.folder / MASTER_FOLDER)

    # -- pipes ----------------------------------------------------------------------------------------

    def _lay_pipes(self, fresh: list[PlannedFile]) -> None:
        for planned in fresh:
            if planned.is_lossy:
                self._lossy.want(planned)
        self._pipes.open_branches(fresh)
        # Spills of an earlier run may be all that some files wait for.
        self._lossy.start_ready()
        if self.levels is None and len(self._kept) < len(self.plan.files):
            tracker = self._tracker = LevelTracker()
            for side in range(len(self.plan.sides)):
                tracker.heard |= self._making.heard(side)
            unheard = frozenset(range(len(self.plan.sides))) - {side for side, _ in tracker.heard}
            self._needed_sides = set(unheard)
            self._pipes.track_levels(tracker, unheard)
        for planned in fresh:
            if not planned.is_lossy or self._lossy.waits(planned):
                self._needed_sides |= {side for side, _ in planned.pieces}

    def _piece_spilled(self, piece: Piece, path: Path) -> None:
        self._making.note_spill(path)
        self._lossy.start_ready()

    def _unkeep(self, planned: PlannedFile) -> None:
        self._kept.pop(planned.path, None)
        self._taken_over.discard(planned.path)

    def _state_of(self, planned: PlannedFile) -> FileEntry | Staged | None:
        """What is known of a finished file, named or waiting."""
        return self._kept.get(planned.path) or self._making.staged(planned)

    # -- waiting --------------------------------------------------------------------------------------

    def _drain(self) -> None:
        """Let all that was fed run through."""
        self._pipes.join()
        self._raise_failure()
        if self._state != "open":
            raise CopyError("run-over")

    def _take_levels(self) -> None:
        if self._tracker is None:
            return
        self.levels = self._heard_whole(self._tracker).result()
        self._making.note_levels(self.plan.record_key, self.levels)

    def _heard_whole(self, tracker: LevelTracker) -> LevelTracker:
        """The tracker, once all tracks of all sides ran through it."""
        tracker.close()
        for index, side in enumerate(self.plan.sides):
            for track, (start, stop) in enumerate(side.spans):
                heard = tracker.heard.get((index, track))
                if heard is None or heard.length_frames != stop - start:
                    raise CopyError("side-track-not-whole", track=track + 1, side=side.side)
        return tracker

    def _wait(self, progress: Progress, low: float, high: float) -> None:
        def after_each(done: int, total: int) -> None:
            self._raise_failure()
            progress(low + (high - low) * done / total, "encoding and reading back")

        self._jobs.wait(after_each)
        missing = [planned.path for planned in self.plan.files if self._state_of(planned) is None]
        if missing:
            raise CopyError("copy-not-whole", path=missing[0])

    def _lower_lossy(self, progress: Progress) -> None:
        """Make a lossy kind again, lower, while any of its decoded files passes the ceiling."""
        for _ in range(4):
            count = len(self._jobs)
            self._lossy.level_out()
            if len(self._jobs) == count:
                break
            self._wait(progress, 0.7, 0.8)
        self.findings += self._lossy.findings()
        held = self._pipes.held_samples
        if held:
            self.findings.append(clipped_finding(held))

    def _raise_failure(self) -> None:
        """The first real failure of any thread, in one line."""
        raise_first(self._pipes.failures() + self._jobs.failures(), self.plan.folder)
