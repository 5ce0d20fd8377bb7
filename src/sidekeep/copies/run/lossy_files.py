"""Files of lossy kinds on their way: each begun as soon as its spills are there, and all of a kind at one level.

An encoder's noise adds to peaks: a kind of which one decoded file passes the ceiling is made again, lower, all its files alike.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from sidekeep.copies.kept.history import FileEntry, Staged
from sidekeep.copies.plan.planned import CopyPlan, PlannedFile
from sidekeep.copies.run.lossy import encode_lossy, needed_lowering_db
from sidekeep.copies.run.making import Making
from sidekeep.copies.run.notes import lowered_finding
from sidekeep.errors import CopyError
from sidekeep.model.finding import Finding
from sidekeep.units import MINIMUM_DB


class LossyFiles:
    """``submit`` runs a job on another thread; ``state_of`` tells what is known of a finished file, named or waiting;
    ``unkeep`` is told of a file that was whole and is made again after all."""

    def __init__(
        self,
        plan: CopyPlan,
        making: Making,
        *,
        submit: Callable[..., Any],
        stop: threading.Event,
        state_of: Callable[[PlannedFile], FileEntry | Staged | None],
        unkeep: Callable[[PlannedFile], None],
    ) -> None:
        self._plan = plan
        self._making = making
        self._submit = submit
        self._stop = stop
        self._state_of = state_of
        self._unkeep = unkeep
        self._lock = threading.Lock()
        self._waiting: list[PlannedFile] = []

    def want(self, planned: PlannedFile) -> None:
        """A file that is to be made, once its spills are there."""
        self._waiting.append(planned)

    def waits(self, planned: PlannedFile) -> bool:
        """Whether some of its spills are still to come."""
        with self._lock:
            return planned in self._waiting

    def start_ready(self) -> None:
        """Begin every lossy file whose spills are all there."""
        with self._lock:
            ready = [planned for planned in self._waiting if self._making.has_spills(planned)]
            self._waiting = [planned for planned in self._waiting if planned not in ready]
        for planned in ready:
            self._submit(self._encode, planned, self._lowered_before(planned.kind))

    def level_out(self) -> None:
        """Make again, lower, every kind of which a decoded file passes the ceiling."""
        for kind in self._kinds():
            self._make_alike([planned for planned in self._plan.files if planned.kind == kind])

    def _make_alike(self, files: list[PlannedFile]) -> None:
        """Bring a lossy kind to the level its loudest decoded file needs, all files alike."""
        states = [state for each in files if (state := self._state_of(each)) is not None]
        ceiling_dbtp = self._plan.lossy_ceiling_dbtp
        lowered_db = round(
            max(state.lowered_db + needed_lowering_db(_peak(state), ceiling_dbtp) for state in states), 3
        )
        for planned, state in zip(files, states, strict=True):
            if state.lowered_db == lowered_db:
                continue
            if not self._making.has_spills(planned):
                raise CopyError("copy-level-differs", path=planned.path, kind=planned.kind)
            self._unkeep(planned)
            self._submit(self._encode, planned, lowered_db)

    def findings(self) -> list[Finding]:
        """The kinds that had to be lowered."""
        found = []
        for kind in self._kinds():
            first = next(planned for planned in self._plan.files if planned.kind == kind)
            state = self._state_of(first)
            if state is not None and state.lowered_db > 0.0:
                found.append(lowered_finding(kind, state.lowered_db, self._plan.lossy_ceiling_dbtp))
        return found

    def _kinds(self) -> list[str]:
        return list(dict.fromkeys(planned.kind for planned in self._plan.files if planned.is_lossy))

    def _lowered_before(self, kind: str) -> float:
        """What the finished copies of a kind were lowered by: a file made later must match."""
        states = [self._state_of(each) for each in self._plan.files if each.kind == kind]
        return max((state.lowered_db for state in states if state is not None), default=0.0)

    def _encode(self, planned: PlannedFile, lowered_db: float) -> None:
        if self._stop.is_set():
            return
        encoded = encode_lossy(
            planned,
            self._making.spills(planned),
            self._making.path(planned),
            around=self._making.spills_around(planned),
            lowered_db=lowered_db,
            stop=self._stop,
        )
        self._making.note_staged(
            planned, lowered_db=encoded.lowered_db, true_peak_dbtp=encoded.true_peak_dbtp
        )


def _peak(state: FileEntry | Staged) -> float:
    return MINIMUM_DB if state.true_peak_dbtp is None else state.true_peak_dbtp
