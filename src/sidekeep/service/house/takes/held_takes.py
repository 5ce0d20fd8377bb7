"""Takes held open for the many small questions of a page: sound, kept survey, peaks.

A handful stay open. What belongs to a take is read again as soon as its file has changed.
"""

from __future__ import annotations

import io
import logging
import threading
from collections import OrderedDict
from dataclasses import replace
from typing import Literal

from sidekeep.dsp.level.band_pyramid import Bands
from sidekeep.dsp.level.peak_pyramid import Peaks
from sidekeep.errors import NotThere, ParameterError, ShelfError, SidekeepError
from sidekeep.files.bounded import ARRAY_BYTES, read_bounded
from sidekeep.files.reading.reader import open_take
from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.mend_choices import left_repairs, levels_with
from sidekeep.flow.passes.survey import Survey
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.ports import Audio
from sidekeep.model.finding import Finding
from sidekeep.service.house.library import FoundTake, Library
from sidekeep.service.house.takes.mended_pictures import (
    MendedBands,
    MendedPeaks,
)
from sidekeep.service.shelf.pyramids import BANDS, PEAKS
from sidekeep.service.take_findings import findings_of_notes
from sidekeep.shelf.choices.choices import read_choices
from sidekeep.shelf.surveys.kept_survey import KeptSurvey, kept_survey, newest_key

Version = Literal["played", "mended", "taken-out"]
VERSIONS: tuple[Version, ...] = ("played", "mended", "taken-out")
KEPT_OPEN = 8
_log = logging.getLogger(__name__)


class HeldTake:
    """One take, open. ``read`` may be called from any thread."""

    def __init__(self, found: FoundTake) -> None:
        self.found = found
        self.source = open_take(found.files)
        self._lock = threading.Lock()
        self._kept: KeptSurvey | None = None
        self._patches: tuple[str, frozenset[int], PatchReader] | None = None
        self._peaks: Peaks | None = None
        self._peaks_lock = threading.Lock()
        self._levels: tuple[str, frozenset[int], KeptLevels] | None = None
        self._levels_lock = threading.Lock()
        self._bands: Bands | None = None
        self._bands_lock = threading.Lock()
        self._making: threading.Thread | None = None
        self._peaks_of = {"mended": MendedPeaks(), "taken-out": MendedPeaks(is_taken_out=True)}
        self._bands_of = {"mended": MendedBands(), "taken-out": MendedBands(is_taken_out=True)}

    @property
    def rate_hz(self) -> int:
        """Frames a second."""
        return self.source.format.rate_hz

    def told(self) -> tuple[Finding, ...]:
        """What the file itself tells, and what was told while it was recorded."""
        return (*self.source.problems, *findings_of_notes(self.found.take.notes))

    def survey(self) -> Survey | None:
        """The survey kept beside the take, with what is ``told`` of it; None while there is none."""
        kept = self._newest()
        if kept is None:
            return None
        told = self.told()
        return replace(kept.survey, findings=(*told, *kept.survey.findings)) if told else kept.survey

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
                "empty-span",
                start_frame=start_frame,
                stop_frame=stop_frame,
                length_frames=self.source.format.length_frames,
            )
        return start, stop

    def read(self, start_frame: int, stop_frame: int, version: Version = "played") -> Audio:
        """A span as it was played, as mended, or what mending took out (played minus mended)."""
        if version not in VERSIONS:
            raise ParameterError("version-unknown", version=version, known=VERSIONS)
        played = self.source.read(start_frame, stop_frame)
        if version == "played":
            return played
        mended = self._mended(start_frame, played)
        return mended if version == "mended" else played - mended

    def _mended(self, start_frame: int, played: Audio) -> Audio:
        reader = self._reader(self.left())[1]
        return reader.apply(start_frame, played)

    def _reader(self, left: frozenset[int]) -> tuple[str, PatchReader]:
        """The key of the survey and its patches. Raises ``NotThere`` while there is none."""
        kept = self._newest()
        if kept is None:
            raise NotThere("no-mended-sound")
        with self._lock:
            if self._patches is None or self._patches[0] != kept.key:
                # In memory: a few megabytes a side, and no handle stands in the way of a new survey.
                data = io.BytesIO(
                    read_bounded(kept.patches_path, "patches", most_bytes=ARRAY_BYTES, error=ShelfError)
                )
                self._patches = (kept.key, left, PatchReader(data, left))
            elif self._patches[1] != left:
                self._patches = (kept.key, left, self._patches[2].with_left(left))
            return kept.key, self._patches[2]

    def left(self) -> frozenset[int]:
        """Which repairs of the survey the person wants left, by their place in it."""
        survey = self.survey()
        if survey is None:
            return frozenset()
        mend = read_choices(self.found.folder.path).recipe.mend
        if not mend.enabled:
            return frozenset(range(len(survey.repairs)))
        return left_repairs(survey.repairs, mend, self.found.take.sha256).left

    def levels(self) -> KeptLevels | None:
        """Peaks and powers of the take with the repairs as the person wants them; None while it is not surveyed."""
        survey = self.survey()
        if survey is None:
            return None
        left = self.left()
        key, reader = self._reader(left)
        with self._levels_lock:
            if self._levels is None or self._levels[:2] != (key, left):
                levels = levels_with(
                    self.source,
                    reader,
                    left,
                    mended=survey.mended,
                    recorded=survey.recorded,
                    repairs=len(survey.repairs),
                )
                self._levels = (key, left, levels)
            return self._levels[2]

    def peaks(self, version: Version = "played") -> Peaks:
        """Its kept peaks, made now if they are missing; those of the mended sound are made of them."""
        with self._peaks_lock:
            if self._peaks is None:
                self._peaks = PEAKS.of(self.found.path, self.source)
            played = self._peaks
        if version == "played":
            return played
        left = self.left()
        return self._peaks_of[version].get(played, left, *self._reader(left), self.source)

    def bands(self, version: Version = "played") -> Bands | None:
        """Its kept spectrum, or that of the mended sound. None while it is being made, in the background."""
        with self._bands_lock:
            if self._bands is None:
                self._bands = BANDS.kept(self.found.path, self.source)
            if self._bands is None:
                if self._making is None:
                    self._making = threading.Thread(target=self._make_bands, name="spectrum", daemon=True)
                    self._making.start()
                return None
            played = self._bands
        if version == "played":
            return played
        left = self.left()
        return self._bands_of[version].get(played, left, *self._reader(left), self.source)

    def wait_for_bands(self) -> None:
        """Return when the spectrum that is being made is there, or cannot be."""
        self.bands()
        making = self._making
        if making is not None:
            making.join()

    def _make_bands(self) -> None:
        try:
            made = BANDS.of(self.found.path, open_take(self.found.files))
            with self._bands_lock:
                self._bands = made
        except (SidekeepError, OSError) as error:
            _log.warning("%s: no spectrum of the whole take (%s)", self.found.take.folder_name, error)


class HeldTakes:
    """The takes open now, the least used closed first."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._lock = threading.Lock()
        self._open: OrderedDict[str, HeldTake] = OrderedDict()

    def get(self, take_id: str) -> HeldTake:
        """The open take of an id. Raises ``NotThere``."""
        with self._lock:
            known = self._open.get(take_id)
            if known is not None and (known.found.path / "take.json").exists():
                self._open.move_to_end(take_id)
                return known
        opened = HeldTake(self._library.take(take_id))
        with self._lock:
            self._open[take_id] = opened
            while len(self._open) > KEPT_OPEN:
                self._open.popitem(last=False)
        return opened
