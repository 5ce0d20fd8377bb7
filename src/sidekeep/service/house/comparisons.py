"""Two takes of a side, compared or combined: the jobs that do it, and what a page is shown and plays of what came of them."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sidekeep.copies.run.successors import REPORT_NAME
from sidekeep.errors import NotThere, ParameterError
from sidekeep.files.bounded import LIST_BYTES, read_bounded, read_json_bounded
from sidekeep.service.comparing.compare import kept_comparison
from sidekeep.service.comparing.heard import Heard, kept_two_takes
from sidekeep.service.comparing.history import side_history
from sidekeep.service.house.library import FoundTake, Library
from sidekeep.service.house.takes.held_takes import HeldTakes
from sidekeep.service.house.takes.listen import wav_bytes


class Comparisons:
    """Those of one shelf. ``ask_for`` puts a job on a record into the queue. Safe for any thread."""

    def __init__(self, library: Library, takes: HeldTakes, ask_for: Callable[..., dict[str, Any]]) -> None:
        self._library = library
        self._takes = takes
        self._ask_for = ask_for

    def ask_to_compare(self, old_id: str, new_id: str) -> dict[str, Any]:
        """The job that compares two takes of one record."""
        old, new = self._pair(old_id, new_id)
        return self._ask_for("compare", new.record_id, old=old.take.folder, new=new.take.folder)

    def result(self, old_id: str, new_id: str) -> dict[str, Any]:
        """What came of comparing two takes, and the history of the side over all that were compared."""
        values: dict[str, Any] = read_json_bounded(
            self._folder(old_id, new_id) / "comparison.json", "comparison", dict[str, Any]
        )
        _, new = self._pair(old_id, new_id)
        side = new.path.name.rpartition("-")[0]
        heard = None
        with contextlib.suppress(NotThere):
            heard = kept_two_takes(self._folder(old_id, new_id)).facts()
        return {
            **values,
            "heard": heard,
            "history": [point.values() for point in side_history(new.folder, side)],
        }

    def sound(self, old_id: str, new_id: str, start_frame: int, stop_frame: int, what: Heard) -> bytes:
        """A span of two compared takes as a WAV file: laid on each other and at equal level."""
        two = kept_two_takes(self._folder(old_id, new_id))
        old, new = self._takes.get(old_id), self._takes.get(new_id)
        return wav_bytes(two.read(old.source, new.source, start_frame, stop_frame, what), two.rate_hz)

    def report(self, old_id: str, new_id: str) -> bytes:
        """The page about it."""
        path = self._folder(old_id, new_id) / REPORT_NAME
        return read_bounded(path, "report", most_bytes=LIST_BYTES)

    def ask_to_combine(self, take_ids: list[str], *, pieces: bool = False) -> dict[str, Any]:
        """The job that makes one better take out of several of a side, of which the first is the best; or one out of the
        ``pieces`` of a side, in the order they were played, in the bin or not."""
        found = [self._library.take(each, also_binned=pieces) for each in take_ids]
        if len({each.path for each in found}) < len(found) or len({each.record_id for each in found}) > 1:
            raise ParameterError("combine-of-one-record")
        if len({each.take.side for each in found}) > 1:
            raise ParameterError("combine-of-one-side")
        takes = [each.take.folder for each in found]
        return self._ask_for("combine", found[0].record_id, takes=takes, pieces=pieces)

    def _folder(self, old_id: str, new_id: str) -> Path:
        old, new = self._pair(old_id, new_id)
        kept = kept_comparison(new.folder, old.path.name, new.path.name)
        if kept is None:
            raise NotThere("not-compared")
        return kept

    def _pair(self, old_id: str, new_id: str) -> tuple[FoundTake, FoundTake]:
        old, new = self._library.take(old_id), self._library.take(new_id)
        if old.record_id != new.record_id or old.path == new.path:
            raise ParameterError("compare-of-one-record")
        return old, new
