"""What goes on beside an evening's recording: sides are surveyed while they play, and copies of those that are over are made.

A record has one gain, and the side that plays may hold the peak that decides it. So copies of the sides before are encoded at
once, and again when a higher peak has been heard and stayed the highest for a while: at the lift they wait at the gain that
counts, unless the peak came at the very end.
"""

from __future__ import annotations

import contextlib
import json
import math
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sidekeep.service.live.ending import end_process
from sidekeep.service.live.follower import LiveSurvey
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.units import MINIMUM_DB

PEAK_STANDS_S = 60.0
"""A higher peak than before must have stood so long before copies are encoded for it: often at first, seldom later."""


class CopiesAsReady:
    """Encodes what can be encoded of the sides that are over; one process at a time, started anew when another side is."""

    def __init__(self, shelf: Path, kinds: Sequence[str]) -> None:
        self._shelf, self._kinds = shelf, ",".join(kinds)
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def is_running(self) -> bool:
        """Whether something is being encoded."""
        return self._process is not None and self._process.poll() is None

    def start(self, record: Path, least_peak_dbtp: float = MINIMUM_DB) -> None:
        """Prepare all sides of the record that are on the shelf, with room for a peak of the one that plays; never waits."""
        if self.is_running:
            return
        with contextlib.suppress(OSError):
            self._process = subprocess.Popen(
                [
                    sys.executable, "-m", "sidekeep.service.live.copies_process",
                    str(self._shelf), str(record), self._kinds, repr(least_peak_dbtp),
                ],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl+C at the terminal is for the person's program
            )  # fmt: skip

    def answer(self) -> dict[str, Any] | None:
        """What a process that has ended said, once."""
        process = self._process
        if process is None or process.poll() is None:
            return None
        self._process = None
        assert process.stdout is not None
        assert process.stdin is not None
        with process.stdout as out, contextlib.suppress(OSError):
            process.stdin.close()
            with contextlib.suppress(ValueError, IndexError):
                answer: dict[str, Any] = json.loads(out.read().splitlines()[-1])
                return answer
        return None

    def close(self) -> None:
        """Stop at once: nothing half is left, and what is whole is used by the next run."""
        process = self._process
        if process is None:
            return
        if process.poll() is None:
            end_process(process, 5.0)
        self.answer()


class GrowingPeak:
    """The true peak, after mending, of the side that plays, and whether it has stood for a while."""

    def __init__(self, take: str = "") -> None:
        self._take = take
        self._rate_hz = 0
        self._peak_dbtp, self._since_frame, self._heard_frame = MINIMUM_DB, 0, 0

    def hear(self, event: Mapping[str, Any]) -> None:
        """A piece of news; of another side's take it is passed over."""
        if event["take"] != self._take:
            return
        if event["code"] == "live-begun":
            self._rate_hz = event["facts"]["rate_hz"]
        if event["code"] == "live-level":
            self._heard_frame = event["at_frame"]
            peak_dbtp = event["facts"]["mended_true_peak_dbtp"]
            if peak_dbtp != self._peak_dbtp:
                self._peak_dbtp, self._since_frame = peak_dbtp, self._heard_frame

    def standing_dbtp(self) -> float:
        """The peak, once it has been the same for ``PEAK_STANDS_S``; ``MINIMUM_DB`` until then."""
        stands = self._heard_frame - self._since_frame >= PEAK_STANDS_S * self._rate_hz > 0
        return self._peak_dbtp if stands else MINIMUM_DB


class EveningFollower:
    """A ``Follower``: the survey behind the needle, and with ``kinds`` copies as sides become ready."""

    def __init__(self, shelf: Path, *, kinds: Sequence[str] = ()) -> None:
        self.survey = LiveSurvey()
        self._copies = CopiesAsReady(shelf, kinds) if kinds else None
        self._is_due = False
        self._peak = GrowingPeak()
        self._prepared_dbtp = math.inf
        self._files = 0
        self._record: Path | None = None
        self._is_growing = False
        self._lock = threading.Lock()

    def begun(self, path: Path, take_folder: Path, side: str) -> None:
        """Another side plays: time for the copies of those before it."""
        self.survey.begun(path, take_folder, side)
        with self._lock:
            self._record, self._is_growing = take_folder.parent.parent, True
            self._peak = GrowingPeak(f"{take_folder.parent.name}/{take_folder.name}")
        self._write_on()

    def ended(self, path: Path) -> None:
        """The side is over."""
        with self._lock:
            self._is_growing = False
        self.survey.ended(path)

    def closed(self, take: ShelfTake) -> None:
        """The side is on the shelf."""
        self.survey.closed(take)

    def dropped(self, path: Path) -> None:
        """It was no side, and the peak it held is none of the record's."""
        with self._lock:
            self._is_due |= self._prepared_dbtp < math.inf
        self.survey.dropped(path)

    def poll(self) -> list[Any]:
        """Nothing the session itself would have to tell: skins ask for ``news``."""
        return []

    def news(self) -> list[Mapping[str, Any]]:
        """What the survey and the copies have to tell since they were last asked."""
        found = self.survey.poll()
        with self._lock:
            for event in found:
                self._is_due |= event["code"] == "live-settled"
                self._peak.hear(event)
        answer = self._copies.answer() if self._copies is not None else None
        if answer is not None:
            code = "copies-prepared" if "files" in answer else "copies-later"
            with self._lock:
                self._prepared_dbtp = answer.get("true_peak_dbtp", math.inf)
                if code == "copies-prepared":
                    answer["again"], self._files = answer["files"] == self._files, answer["files"]
            found.append({"code": code, "side": "", "take": "", "at_frame": -1, "facts": answer})
        self._write_on()
        return found

    def close(self) -> None:
        """The recording is over; the last side's survey may still be under way, so what runs goes on until ``end``."""

    def end(self) -> None:
        """Stop what still runs; what it had not finished is made when it is needed."""
        if self._copies is not None:
            self._copies.close()
        self.survey.close()

    def _write_on(self) -> None:
        with self._lock:
            record = self._record if self._is_growing else None
            if record is None or self._copies is None or self._copies.is_running:
                return
            peak_dbtp = self._peak.standing_dbtp()
            if not self._is_due and peak_dbtp <= self._prepared_dbtp:
                return
            self._is_due = False
            self._prepared_dbtp = math.inf  # until it is told
        self._copies.start(record, peak_dbtp)
