"""Takes held open for the many small questions of a page: sound, kept survey, peaks.

A handful stay open. What belongs to a take is read again as soon as its file has changed.
"""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from typing import Literal

from sidekeep.dsp.level.peak_pyramid import Peaks
from sidekeep.errors import NotThere, ParameterError, ShelfError
from sidekeep.files.bounded import ARRAY_BYTES, read_bounded
from sidekeep.files.reader import open_take
from sidekeep.flow.mend_choices import left_repairs
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.ports import Audio
from sidekeep.flow.survey import Survey
from sidekeep.service.house.library import FoundTake, Library
from sidekeep.service.peaks import peaks_of
from sidekeep.shelf.choices import read_choices
from sidekeep.shelf.kept_survey import KeptSurvey, kept_survey, newest_key

Version = Literal["played", "mended", "taken-out"]
VERSIONS: tuple[Version, ...] = ("played", "mended", "taken-out")
KEPT_OPEN = 8


class OpenTake:
    """One take, open. ``read`` may be called from any thread."""

    def __init__(self, found: FoundTake) -> None:
        self.found = found
        self.source = open_take(found.files)
        self._lock = threading.Lock()
        self._kept: KeptSurvey | None = None
        self._patches: tuple[str, frozenset[int], PatchReader] | None = None
        self._peaks: Peaks | None = None
        self._peaks_lock = threading.Lock()

    @property
    def rate_hz(self) -> int:
        """Frames a second."""
        return self.source.format.rate_hz

    def survey(self) -> Survey | None:
        """The survey kept beside the take, or None while there is none."""
        kept = self._newest()
        return kept.survey if kept else None

    def _newest(self) -> KeptSurvey | None:
        key = newest_key(self.found.path)
        with self._lock:
            if key is None:
                self._kept = None
            elif self._kept is None or self._kept.key != key:
                self._kept = kept_survey(self.found.path, key, str(self.found.files[0]))
            return self._kept

    def span(self, start_frame: int, stop_frame: int) -> tuple[int, int]:
        """A span cut to the take. Raises ``ParameterError`` when nothing of it is left."""
        start, stop = max(0, start_frame), min(stop_frame, self.source.format.length_frames)
        if start >= stop:
            raise ParameterError(
                f"frames {start_frame} to {stop_frame} hold nothing of this take, "
                f"which has {self.source.format.length_frames} frames",
                code="empty-span",
            )
        return start, stop

    def read(self, start_frame: int, stop_frame: int, version: Version = "played") -> Audio:
        """A span as it was played, as mended, or what mending took out (played minus mended)."""
        if version not in VERSIONS:
            raise ParameterError(f"as={version!r} must be one of {', '.join(VERSIONS)}")
        played = self.source.read(start_frame, stop_frame)
        if version == "played":
            return played
        mended = self._mended(start_frame, played)
        return mended if version == "mended" else played - mended

    def _mended(self, start_frame: int, played: Audio) -> Audio:
        kept = self._newest()
        if kept is None:
            raise NotThere(
                "this take is not surveyed yet, so there is no mended sound of it", code="not-surveyed"
            )
        left = self.left()
        with self._lock:
            if self._patches is None or self._patches[:2] != (kept.key, left):
                # In memory: a few megabytes a side, and no handle stands in the way of a new survey.
                data = io.BytesIO(
                    read_bounded(kept.patches_path, "the patches", most_bytes=ARRAY_BYTES, error=ShelfError)
                )
                self._patches = (kept.key, left, PatchReader(data, left))
            reader = self._patches[2]
        return reader.apply(start_frame, played)

    def left(self) -> frozenset[int]:
        """Which repairs of the survey the person wants left, by their place in it."""
        survey = self.survey()
        if survey is None:
            return frozenset()
        mend = read_choices(self.found.folder.path).recipe.mend
        if not mend.enabled:
            return frozenset(range(len(survey.repairs)))
        return left_repairs(survey.repairs, mend, self.found.take.sha256).left

    def peaks(self) -> Peaks:
        """Its kept peaks, made now if they are missing."""
        with self._peaks_lock:
            if self._peaks is None:
                self._peaks = peaks_of(self.found.path, self.source)
            return self._peaks


class OpenTakes:
    """The takes open now, the least used closed first."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._lock = threading.Lock()
        self._open: OrderedDict[str, OpenTake] = OrderedDict()

    def get(self, take_id: str) -> OpenTake:
        """The open take of an id. Raises ``NotThere``."""
        with self._lock:
            known = self._open.get(take_id)
            if known is not None and (known.found.path / "take.json").exists():
                self._open.move_to_end(take_id)
                return known
        opened = OpenTake(self._library.take(take_id))
        with self._lock:
            self._open[take_id] = opened
            while len(self._open) > KEPT_OPEN:
                self._open.popitem(last=False)
        return opened
