"""Everything one running sidekeep holds for one shelf; what a page, or any other skin, talks to."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import threading
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from sidekeep import __version__
from sidekeep.copies.run.successors import REPORT_NAME
from sidekeep.copies.tracks.naming import safe_name
from sidekeep.errors import NotThere, ParameterError, ShelfError, SidekeepError, SleeveError
from sidekeep.files.bounded import LIST_BYTES, read_bounded, read_text_bounded
from sidekeep.model.recipe import LevelSettings
from sidekeep.service.choices.edits import apply, entry_object, history, redo, undo
from sidekeep.service.comparing.reminder import day_of, remind
from sidekeep.service.house.comparisons import Comparisons
from sidekeep.service.house.events import EventHub
from sidekeep.service.house.jobs.kinds import UPLOADS
from sidekeep.service.house.jobs.queue import Job, Jobs
from sidekeep.service.house.library import Library
from sidekeep.service.house.pile import Pile
from sidekeep.service.house.records.printed import printed_of_heard_sides
from sidekeep.service.house.records.recipe_effect import recipe_effect
from sidekeep.service.house.records.record_view import record_view
from sidekeep.service.house.records.summaries import Summaries
from sidekeep.service.house.records.thumbnails import Thumbnails
from sidekeep.service.house.takes.held_takes import HeldTakes
from sidekeep.service.house.takes.take_view import take_page_view
from sidekeep.service.house.turntable.level import settings_view
from sidekeep.service.house.turntable.turntable import Turntable
from sidekeep.service.house.upkeep import close_interrupted_takes, index_again, interrupted_views
from sidekeep.service.shelf.presence import refuse_gone
from sidekeep.service.shelf.records import change_record
from sidekeep.shelf.choices.choice_files import RECIPE
from sidekeep.shelf.choices.choices import read_choices
from sidekeep.shelf.choices.recipe_file import write_recipe
from sidekeep.shelf.index.catalogue import Entry
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.sleeve.reading import read_sleeve

KEPT_FREE = 1_000_000_000
"""Room on the disk that no upload may use up."""


class House:
    """One shelf, open. Every method may be called from any thread."""

    def __init__(self, shelf: Path) -> None:
        self.shelf = shelf
        self.news = EventHub()
        self.library = Library(shelf)
        self.takes = HeldTakes(self.library)
        self._summaries = Summaries(self.library)
        self.thumbnails = Thumbnails()
        self.jobs = Jobs(shelf, self.news, self._job_ended)
        self.turntable = Turntable(shelf, self.news, self._taken)
        self.comparisons = Comparisons(self.library, self.takes, self.ask_for)
        self.pile = Pile(self.library, self.news)
        self._then: dict[str, list[str]] = {}

    def state(self) -> dict[str, Any]:
        """What a page needs first; of a shelf whose disk is gone, all but its records."""
        try:
            record_count, pile = len(self.library.entries()), self.pile.record_ids()
        except ShelfError:
            record_count, pile = 0, []
        return {
            "version": __version__,
            "seq": self.news.last_number,
            "shelf": {
                "name": self.shelf.name,
                "record_count": record_count,
                "free_bytes": self.library.free_bytes(),
                "writable": self.library.is_writable(),
            },
            "session": self.turntable.view(),
            "last_session": self.turntable.last(),
            "live": self.turntable.live(),
            "jobs": self.jobs.views(),
            "pile": pile,
            "settings": settings_view(),
        }

    def records(self, words: str = "", state: str = "") -> list[dict[str, Any]]:
        """Records on the shelf, all or those that match."""
        return [self._summaries.line(entry) for entry in self.library.entries(words, state)]

    def record(self, record_id: str) -> dict[str, Any]:
        """Everything about one record but its sound."""
        return record_view(self.library, self.takes, self.entry(record_id))

    def entry(self, record_id: str) -> Entry:
        """The index entry of a record, put right first if its folder moved or is new to the index."""
        folder = self.library.folder(record_id)
        relative = folder.path.relative_to(self.shelf).as_posix()
        for attempt in range(2):
            for entry in self.library.entries():
                if entry.record_id == record_id and entry.folder == relative:
                    return entry
            if attempt == 0:
                self.library.index(folder)
        raise NotThere("no-record")

    def take_page(self, take_id: str) -> dict[str, Any]:
        """What the Side place draws of a take."""
        opened = self.takes.get(take_id)
        chosen = {take.folder for take in opened.found.folder.chosen_takes()}
        return take_page_view(opened, opened.found.take.folder in chosen)

    def bin(self) -> list[dict[str, Any]]:
        """The discarded records that can still be restored."""
        found = []
        for folder in self.library.discarded():
            record = folder.record()
            found.append(
                {"id": folder.record_id, "artist": record.artist, "title": record.title, "year": record.year}
            )
        return found

    def ask_for(self, kind: str, record_id: str | None, **arguments: Any) -> dict[str, Any]:
        """A job on a record, or on the whole shelf."""
        folder = str(self.library.folder(record_id).path) if record_id else ""
        return self.jobs.ask(kind, record_id, folder=folder, **arguments)

    def place_for_upload(self) -> tuple[str, Path, int]:
        """Where a recording that is being sent waits: its name, its path, and how many bytes it may have."""
        refuse_gone(self.shelf)
        folder = self.shelf / UPLOADS
        folder.mkdir(parents=True, exist_ok=True)
        name = uuid.uuid4().hex
        return name, folder / name, max(0, self.library.free_bytes() // 2 - KEPT_FREE)

    def adopt_sent(
        self, record_id: str, upload: str, name: str, sides: str, stylus: str = ""
    ) -> dict[str, Any]:
        """The job that brings in a recording that was sent. The name it had is kept as a fact, made safe for a file."""
        try:
            self.library.folder(record_id)
            suffix = Path(name.replace("\\", "/")).suffix.lower()
            if not re.fullmatch(r"\.[a-z0-9]{1,5}", suffix):
                raise ParameterError("no-ending")
            if not re.fullmatch(r"[A-Z]{1,8}", sides):
                raise ParameterError("side-letters", side=sides[:20])
            safe = safe_name(Path(name.replace("\\", "/")).stem, suffix)
            return self.ask_for("adopt", record_id, upload=upload, name=safe, sides=sides, stylus=stylus)
        except SidekeepError:
            (self.shelf / UPLOADS / upload).unlink(missing_ok=True)
            raise

    def recipe(self, record_id: str, level: LevelSettings | None = None) -> dict[str, Any]:
        """The kept recipe and what it will do."""
        folder = self.library.folder(record_id)
        return recipe_effect(folder, self.library.takes(record_id), self.takes, level)

    def report(self, record_id: str) -> bytes:
        """The report page that lies with the newest copies."""
        pages = list((self.library.folder(record_id).path / "copies").rglob(REPORT_NAME))
        if not pages:
            raise NotThere("no-report")
        newest = max(pages, key=lambda path: path.stat().st_mtime)
        return read_bounded(newest, "report", most_bytes=LIST_BYTES)

    def play_again(self, record_id: str, after: str) -> dict[str, Any]:
        """Keep the day after which a record is to be played again, or none; the record as it is then."""
        remind(self.library.folder(record_id), day_of(after) if after else None)
        return self.changed(record_id)

    def empty_bin(self) -> int:
        """Remove the records in the shelf's bin for good; how many."""
        removed = self.library.empty_bin()
        self.news.publish("shelf")
        return removed

    def empty_take_bin(self, record_id: str, revision: int | None) -> dict[str, Any]:
        """Remove the takes in a record's bin for good; the record as it is then."""
        self.library.empty_take_bin(record_id, revision)
        return self.changed(record_id)

    def interrupted(self) -> list[dict[str, Any]]:
        """Takes that something interrupted and nobody has closed yet."""
        return interrupted_views(self.shelf)

    def close_interrupted(self) -> dict[str, Any]:
        """Close them; their tracks are looked for then. What could not be closed stays in ``left``."""
        takes, records = close_interrupted_takes(self.shelf)
        for record_id in records:
            if self.library.takes(record_id):
                self.ask_for("survey", record_id)
            self.changed(record_id)
        self.news.publish("shelf")
        return {"takes": takes, "left": self.interrupted()}

    def index_again(self) -> int:
        """The index made again from the folders; how many records there are."""
        count = index_again(self.shelf)
        self.news.publish("shelf")
        return count

    def recipe_text(self, record_id: str) -> str:
        """The recipe as its file says it, with the person's own comments; where there is none, the usual one."""
        folder = self.library.folder(record_id)
        path = folder.path / RECIPE
        if path.exists():
            return read_text_bounded(path, "recipe")
        return write_recipe(read_choices(folder.path).recipe)

    def open_folder(self, record_id: str) -> None:
        """Show a record's folder in the system's own window."""
        path = str(self.library.folder(record_id).path)
        program = {"darwin": "open", "win32": "explorer"}.get(sys.platform, "xdg-open")
        try:
            subprocess.Popen(
                [program, path],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        except OSError as error:
            raise ShelfError("no-window", path=path) from error

    def _job_ended(self, job: Job) -> None:
        if job.record is not None:
            if job.kind in ("adopt", "combine") and job.state == "done":
                self.ask_for("survey", job.record)
            kinds = self._then.pop(job.record, []) if job.kind == "survey" else []
            if kinds and job.state == "done" and not self._is_unsure(job.record):
                self.ask_for("copies", job.record, kinds=kinds, replace=False)
            if kinds:
                self.turntable.followed()
            self.changed(job.record)
        self.news.publish("shelf")

    def edit(self, record_id: str, edit: Mapping[str, Any], revision: int | None) -> dict[str, Any]:
        """One change of a person's; the record as it is then."""
        folder = self.library.folder_at(record_id, revision)
        with self._heard_anew(record_id, folder):
            change_record(self.shelf, folder, lambda record: apply(record, edit, expected_revision=revision))
        return self.changed(record_id)

    def write_sleeve(self, record_id: str, text: str, revision: int | None) -> dict[str, Any]:
        """Another sleeve text, kept as it was typed; a change like any other."""
        record = read_sleeve(text)[0]
        if not record.artist and not record.title:
            raise SleeveError("sleeve-without-name")
        return self.edit(record_id, {"kind": "sleeve", "text": text}, revision)

    def move_take(self, take_id: str, revision: int | None, *, out: bool) -> dict[str, Any]:
        """A take into its record's bin, or ``out`` of it again; the record as it is then."""
        record_id, _ = self.library.move_take(take_id, revision, out=out)
        self.news.publish("shelf")
        return self.changed(record_id)

    def take_back(self, record_id: str, revision: int | None, *, again: bool = False) -> dict[str, Any]:
        """Undo the newest change that stands, or make it ``again``."""
        folder, back = self.library.folder_at(record_id, revision), redo if again else undo
        with self._heard_anew(record_id, folder):
            change_record(self.shelf, folder, lambda record: back(record, expected_revision=revision))
        return self.changed(record_id)

    @contextlib.contextmanager
    def _heard_anew(self, record_id: str, folder: RecordFolder) -> Iterator[None]:
        """After a change of the sleeve text: sides are listened to once more whose tracks it prints otherwise."""
        before = printed_of_heard_sides(folder)
        yield
        if printed_of_heard_sides(folder) != before:
            self.ask_for("survey", record_id)

    def history(self, record_id: str) -> list[dict[str, Any]]:
        """Every change, oldest first."""
        return [entry_object(each) for each in history(self.library.folder(record_id))]

    def start_session(
        self,
        record_id: str,
        sides: list[str],
        then_copies: list[str],
        *,
        stylus: str = "",
        by_needle: bool = True,
        any_side: bool = False,
        survey: bool = True,
    ) -> dict[str, Any]:
        """Put a record on the turntable. With ``then_copies`` the copies follow by themselves when every side was
        taken and nothing about the record is unsure. Without ``survey`` sides are surveyed afterwards, not while they play."""
        if not sides or any(not re.fullmatch(r"[A-Z]", side) for side in sides):
            raise ParameterError("no-sides")
        return self.turntable.start(
            record_id,
            self.library.folder(record_id),
            tuple(sides),
            tuple(then_copies),
            stylus=stylus,
            by_needle=by_needle,
            any_side=any_side,
            survey=survey,
        )

    def _taken(self, record_id: str, then_copies: tuple[str, ...], is_whole: bool) -> None:
        with contextlib.suppress(SidekeepError, OSError):
            if is_whole and then_copies:
                self._then[record_id] = list(then_copies)
            if self.library.takes(record_id):
                self.ask_for("survey", record_id)
            self.changed(record_id)
            self.news.publish("shelf")

    def _is_unsure(self, record_id: str) -> bool:
        """Whether copies had better wait for a look. Sound that was lost is told, but no look puts it right: who does not take
        the side again has the copies."""
        doubts = [doubt for side in self.record(record_id)["sides"] for doubt in side["unsure"]]
        return any(doubt["why"]["code"] != "lost-sound" for doubt in doubts)

    def changed(self, record_id: str) -> dict[str, Any]:
        """Tell everybody that a record changed; the record as it is now."""
        record = self.record(record_id)
        self.news.publish("record", {"id": record_id, "revision": record["revision"]})
        return record

    def close(self) -> None:
        """End what is running: the job while the take is being closed, which may take its time."""
        jobs = threading.Thread(target=self.jobs.close, name="ending the jobs")
        jobs.start()
        try:
            self.turntable.close()
        finally:
            jobs.join()
