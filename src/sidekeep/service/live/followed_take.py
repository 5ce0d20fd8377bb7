"""One take on its way through the survey while it is recorded."""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

from sidekeep.dsp.level.peak_pyramid import PeakBuilder
from sidekeep.errors import AudioFileError
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave.growing import GrowingTake
from sidekeep.flow.live.news import LiveEvent, LiveNews
from sidekeep.flow.passes.survey import BLOCK_FRAMES, Survey, SurveyRun
from sidekeep.model.recipe import Recipe
from sidekeep.model.record import Side
from sidekeep.service.choices.sleeves import Sleeve
from sidekeep.service.shelf.pyramids import PEAKS
from sidekeep.service.transfers.copies import survey_key
from sidekeep.shelf.choices.choices import read_choices
from sidekeep.shelf.record_folder import BIN, RecordFolder
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.shelf.surveys.draft import SurveyDraft
from sidekeep.shelf.surveys.files import PATCHES, SURVEYS
from sidekeep.shelf.surveys.kept_survey import KeptSurvey


class FollowedTake:
    """``advance`` while it grows, ``conclude`` when it has ended, ``keep`` when its checksum is known; or ``abandon``. A take
    that turns out to be another side is kept again under that name: nothing is listened to twice.

    Raises ``SidekeepError`` when the take cannot be followed.
    """

    def __init__(self, path: Path, folder: RecordFolder, letters: str) -> None:
        self.path, self.folder, self.letters = path, folder, letters
        self._take = GrowingTake(path)
        self._mend = _recipe(folder).mend
        self._draft = SurveyDraft(path.parent)
        self._run = SurveyRun(self._take.form, mend=self._mend, patches=self._draft.patches)
        self._peaks = PeakBuilder(self._take.form.rate_hz, self._take.form.channels)
        record = _sleeve(folder).record
        side = next((side for side in _sides(letters, _sleeve(folder)) if side.tracks), None)
        self._news = LiveNews(self._run, side, rpm=record.rpm)
        self._survey: Survey | None = None
        self._sides: tuple[Side, ...] = ()
        self._lift_s = 0.0
        self._kept: KeptSurvey | None = None

    @property
    def behind_frames(self) -> int:
        """Frames that are safe in the take and were not surveyed yet."""
        return self._take.claimed_frames - self._take.frames_read

    def begun(self) -> LiveEvent:
        """The first piece of news."""
        return self._news.begun()

    def advance(self) -> list[LiveEvent] | None:
        """Survey a block of what is new; None when there is nothing."""
        if self.behind_frames == 0 and self._take.look() == 0:
            return None
        self._hear()
        return self._news.look(self.behind_frames)

    def _hear(self) -> None:
        block = self._take.read(BLOCK_FRAMES)
        self._run.process(block)
        self._peaks.process(block)
        self._news.heard(block)

    def conclude(self) -> list[LiveEvent]:
        """The capture has closed the take: the rest of it, then everything that can be known."""
        self._lift_s = time.monotonic()
        while self._take.look():
            self._hear()
        self._take.close()
        events = self._news.last_look()
        with contextlib.suppress(
            AudioFileError
        ):  # it may have been given another name this moment: ``keep`` knows
            self._find_tracks()
        return events

    def _find_tracks(self) -> Survey:
        source, sleeve = open_source(self.path), _sleeve(self.folder)
        self._sides = _sides(self.letters, sleeve)
        self._survey = self._run.finish(
            source.format, file=str(self.path), sides=self._sides, others=sleeve.record.sides
        )
        return self._survey

    def keep(self, sha256: str, place: Path | None = None, letters: str = "") -> list[LiveEvent]:
        """Put it on the shelf under the key of all that was used. ``place`` is the take's folder by now and ``letters`` the side
        it is. If sleeve or recipe are others by the time somebody needs a survey, the key is another, and it is made anew."""
        if place is not None and (place != self.path.parent or letters != self.letters):
            self.path, self.letters, self._survey = place / self.path.name, letters, None
            self._draft.moved(place)
        survey = self._survey or self._find_tracks()
        key = survey_key((sha256,), self.letters, self._sides, self._mend)
        if self._kept is None:
            self._kept = self._draft.finish(survey, key)
        elif self._kept.key != key:
            self._kept = self._again(self._kept).finish(survey, key)
        PEAKS.keep(self.path.parent, self._peaks.result())
        facts = {
            "key": key,
            "wait_s": round(time.monotonic() - self._lift_s, 2),
            "tracks": sum(len(side.tracks) for side in survey.cuts.sides),
            "repairs": len(survey.repairs),
            "findings": len(survey.findings),
        }
        frame = survey.format.length_frames
        return [
            *self._news.settled(survey),
            LiveEvent(code="live-settled", at_frame=frame, facts=facts),
        ]

    def _again(self, kept: KeptSurvey) -> SurveyDraft:
        """A draft with the same repairs. The take may lie elsewhere than when they were kept."""
        draft = SurveyDraft(self.path.parent)
        try:
            with (self.path.parent / SURVEYS / kept.key / PATCHES).open("rb") as file:
                draft.patches.add_all_of(file)
        except BaseException:
            draft.abandon()
            raise
        draft.patches.set_owners(self._run.owners)
        return draft

    def abandon(self) -> None:
        """Nothing is kept, wherever the take lies by now."""
        place = self.path.parent
        if not place.is_dir() and (binned := place.parent / BIN / place.name).is_dir():
            self._draft.moved(binned)  # put aside by the person before the survey heard of it
        try:
            self._run.abandon()
            self._take.close()
        finally:
            self._draft.abandon()


def _recipe(folder: RecordFolder) -> Recipe:
    return read_choices(folder.path).recipe


def _sleeve(folder: RecordFolder) -> Sleeve:
    try:
        text = folder.sleeve_text()
    except FileNotFoundError:
        text = ""
    record, problems = read_sleeve(text)
    return Sleeve(record=record, problems=tuple(problems))


def _sides(letters: str, sleeve: Sleeve) -> tuple[Side, ...]:
    known = {side.name: side for side in sleeve.record.sides}
    return tuple(known.get(letter, Side(name=letter)) for letter in letters)
