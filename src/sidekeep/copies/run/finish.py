"""The last part of a run: tags, checksums, history, final names, small files, manifest.

Order matters: tags go into the files in ``.making``; the history with the new checksums is written before
any file gets its name, so that a run that dies in between still knows its own files; then names, then the
removal of our own files that were renamed, then the manifest.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import sidekeep
from sidekeep.copies.kept.history import FileEntry, History, Staged, write_history
from sidekeep.copies.kept.manifest import read_manifest, write_manifest
from sidekeep.copies.kept.payload import payload_sha256
from sidekeep.copies.kinds.table import KINDS
from sidekeep.copies.master.build import name_master
from sidekeep.copies.plan.planned import CopyPlan, PlannedFile
from sidekeep.copies.run.making import Making
from sidekeep.copies.run.successors import MASTER_FOLDER, may_remove, stale_files, sum_of
from sidekeep.copies.sheets.chapters import write_m4a_chapters, write_matroska
from sidekeep.copies.sheets.cue import write_cuesheet_block
from sidekeep.copies.tracks.levels import RecordLevels, SoundLevel, replay_gain
from sidekeep.copies.tracks.naming import clash_key
from sidekeep.errors import Cancelled, CopyError
from sidekeep.files.atomic import copy_error, give_name, write_bytes
from sidekeep.files.checksum import bytes_sha256, file_sha256
from sidekeep.files.tags.tag_set import TagSet
from sidekeep.files.tags.tag_writer import write_tags
from sidekeep.flow.progress import Progress
from sidekeep.units import MINIMUM_DB, db_to_gain

Action = Literal["made", "tagged", "kept"]


@dataclass(frozen=True, kw_only=True)
class WrittenFile:
    """One file of the copies. ``made`` is new sound, ``tagged`` the same sound with new tags or a new name,
    ``kept`` was right already. ``length_frames`` is 0 for files without sound."""

    path: Path
    kind: str
    size_bytes: int
    sha256: str
    length_frames: int
    action: Action
    lowered_db: float = 0.0


@dataclass
class Finisher:
    """Everything after the sound is ready."""

    plan: CopyPlan
    making: Making
    history: History
    levels: RecordLevels | None
    kept: dict[str, FileEntry]
    taken_over: set[str]
    master_sums: Mapping[str, str]
    master_fresh: bool
    threads: int
    stop: threading.Event
    left: list[str] = field(default_factory=list)
    """Paths that the plan does not name any more and that stay, because they are not as they were made."""
    master_aside: Path | None = None
    """Where an earlier master was put that the new one may not replace."""
    _unchanged: set[str] = field(default_factory=set)

    def finish(self, progress: Progress) -> list[WrittenFile]:
        """Do it all; files come in the order of the plan, the small ones last."""
        todo = [planned for planned in self.plan.files if planned.path not in self.kept]
        fresh = self._dress_all(todo, progress)
        before = dict(self.history.files)
        stale = stale_files(self.plan, before)
        self._write_history(before, fresh)
        wanted = {clash_key(path) for path in (*(each.path for each in self.plan.files), *self.plan.texts)}
        # Where case does not part names, the old name must go before the new one comes.
        self._remove({path for path in stale if clash_key(path) in wanted})
        for planned in todo:
            self._name(planned)
        texts = self._write_texts()
        master = self._name_master()
        self._remove({path for path in stale if clash_key(path) not in wanted})
        entries = {**self.kept, **fresh}
        gone = {path for path, entry in before.items() if master and entry.kind == MASTER_FOLDER}
        files = {
            **{path: entry for path, entry in before.items() if path not in stale | gone},
            **entries,
            **texts,
            **master,
        }
        files = {path: replace(entry, before_sha256="") for path, entry in files.items()}
        self.history.files = files
        self._save_history()
        self._write_manifest(set(before) | set(files), files)
        progress(1.0, "done")
        written = [self._written(entries[planned.path]) for planned in self.plan.files]
        return written + [self._written(entry) for entry in (*texts.values(), *master.values())]

    # -- tags -----------------------------------------------------------------------------------------

    def _dress_all(self, todo: Sequence[PlannedFile], progress: Progress) -> dict[str, FileEntry]:
        fresh: dict[str, FileEntry] = {}
        with ThreadPoolExecutor(self.threads) as pool:
            for done, entry in enumerate(pool.map(self._dress, todo), start=1):
                fresh[entry.path] = entry
                progress(0.8 + 0.15 * done / len(todo), "tagging and checking")
        return fresh

    def _dress(self, planned: PlannedFile) -> FileEntry:
        """Cue sheet, chapters and tags into one staged file; its sound must stay what was checked."""
        if self.stop.is_set():
            raise Cancelled("copies-stopped")
        staged = self._staged(planned)
        path = self.making.path(planned)
        if len(planned.pieces) > 1 and planned.suffix == ".flac":
            write_cuesheet_block(path, planned.marks, planned.length_frames, self.plan.facts.barcode)
        if len(planned.pieces) > 1 and planned.suffix in (".m4a", ".m4b"):
            write_m4a_chapters(path, planned.marks, planned.rate_hz)
        tags = self._with_gains(planned, staged.lowered_db, staged.true_peak_dbtp)
        is_bare = KINDS[planned.kind].scope == "cd" and not self.plan.cd_picture
        pictures = () if is_bare else self.plan.pictures
        if planned.suffix == ".mka":
            write_matroska(path, planned.marks, planned.rate_hz, tags)
        else:
            write_tags(path, planned.suffix, tags, pictures, id3_version=self.plan.id3_version)
        if payload_sha256(path) != staged.payload_sha256:
            raise CopyError("tags-changed-sound", path=planned.path)
        return FileEntry(
            path=planned.path,
            kind=planned.kind,
            sha256=file_sha256(path),
            size_bytes=path.stat().st_size,
            audio_key=planned.audio_key,
            tag_key=planned.tag_key,
            payload_sha256=staged.payload_sha256,
            length_frames=planned.length_frames,
            rate_hz=planned.rate_hz,
            lowered_db=staged.lowered_db,
            true_peak_dbtp=staged.true_peak_dbtp,
            sides=planned.sides,
            label=planned.label,
        )

    def _staged(self, planned: PlannedFile) -> Staged:
        staged = self.making.staged(planned)
        if staged is None:
            raise CopyError("copy-not-whole", path=planned.path)
        return staged

    def _with_gains(self, planned: PlannedFile, lowered_db: float, peak_dbtp: float | None) -> TagSet:
        if self.levels is None:
            return planned.tags
        album_peak = db_to_gain(self._highest_dbtp(planned.kind)) if peak_dbtp is not None else None
        album = replay_gain(self.levels.record, lowered_db=lowered_db, peak=album_peak)
        level = self._level_of(planned)
        if level is None:
            return replace(planned.tags, album_gain=album)
        peak = db_to_gain(peak_dbtp) if peak_dbtp is not None else None
        return replace(
            planned.tags,
            track_gain=replay_gain(level, lowered_db=lowered_db, peak=peak),
            album_gain=album,
        )

    def _highest_dbtp(self, kind: str) -> float:
        """Highest true peak among the decoded files of a lossy kind."""
        states = [
            self.kept.get(each.path) or self._staged(each) for each in self.plan.files if each.kind == kind
        ]
        return max(MINIMUM_DB if state.true_peak_dbtp is None else state.true_peak_dbtp for state in states)

    def _level_of(self, planned: PlannedFile) -> SoundLevel | None:
        """Of a track, a side or the record, for a file that holds just that; unknown for other groups."""
        assert self.levels is not None
        if len(planned.pieces) == 1:
            return self.levels.tracks.get(planned.pieces[0])
        first = planned.pieces[0][0]
        if planned.pieces == tuple((first, track) for track in range(len(self.plan.sides[first].spans))):
            return self.levels.sides.get(first)
        if len(planned.pieces) == sum(len(side.spans) for side in self.plan.sides):
            return self.levels.record
        return None

    # -- names and small files ------------------------------------------------------------------------

    def _name(self, planned: PlannedFile) -> None:
        final = self.plan.folder / planned.path
        staged = self.making.path(planned)
        try:
            final.parent.mkdir(parents=True, exist_ok=True)
            # What may not be overwritten was refused by check_folder.
            give_name(staged, final, replace=self.plan.replace or planned.path in self.history.files)
        except OSError as problem:
            raise copy_error(problem, final) from problem

    def _write_texts(self) -> dict[str, FileEntry]:
        entries: dict[str, FileEntry] = {}
        for path, content in self.plan.texts.items():
            final = self.plan.folder / path
            if sum_of(final) == bytes_sha256(content):
                self._unchanged.add(path)
            else:
                try:
                    final.parent.mkdir(parents=True, exist_ok=True)
                except OSError as problem:
                    raise copy_error(problem, final) from problem
                write_bytes(final, content, replace=self.plan.replace or path in self.history.files)
            entries[path] = FileEntry(
                path=path, kind=path.split("/")[0], sha256=bytes_sha256(content), size_bytes=len(content)
            )
        return entries

    def _name_master(self) -> dict[str, FileEntry]:
        folder = self.plan.folder / MASTER_FOLDER
        if self.master_fresh:
            prefix = f"{MASTER_FOLDER}/"
            made = {
                path.removeprefix(prefix): entry.sha256
                for path, entry in self.history.files.items()
                if entry.kind == MASTER_FOLDER
            }
            self.master_aside = name_master(self.making.folder / MASTER_FOLDER, folder, made)
        else:
            self._unchanged |= {f"{MASTER_FOLDER}/{path}" for path in self.master_sums}
        return {
            f"{MASTER_FOLDER}/{path}": FileEntry(
                path=f"{MASTER_FOLDER}/{path}",
                kind="master",
                sha256=digest,
                size_bytes=(folder / path).stat().st_size,
            )
            for path, digest in self.master_sums.items()
        }

    # -- what was there before ------------------------------------------------------------------------

    def _remove(self, stale: set[str]) -> None:
        for path in sorted(stale):
            final = self.plan.folder / path
            if may_remove(self.plan.folder, self.history.files[path]):
                final.unlink()
            elif os.path.lexists(final):
                # One that a person changed is theirs now, and stays.
                self.left.append(path)

    def _write_history(self, before: dict[str, FileEntry], fresh: dict[str, FileEntry]) -> None:
        """Old and new entries together; a new one remembers what it stands in for."""
        marked = {
            path: replace(entry, before_sha256=before[path].sha256) if path in before else entry
            for path, entry in fresh.items()
        }
        self.history.files = {**before, **marked}
        self._save_history()

    def _save_history(self) -> None:
        self.history.facts = {**self.history.facts, "takes": self._takes()}
        if self.levels is not None:
            self.history.levels = {self.plan.record_key: self.levels}
        write_history(self.plan.folder, self.history, f"sidekeep {sidekeep.__version__}")

    def _takes(self) -> list[str]:
        """Checksums of the takes in these copies: of this run, and of the sides that stayed as they are."""
        sides = {side for entry in self.history.files.values() for side in entry.sides}
        stay = self.history.facts.get("takes", []) if sides - {side.side for side in self.plan.sides} else []
        return sorted({*map(str, stay), *self.plan.takes})

    def _write_manifest(self, ours: set[str], files: dict[str, FileEntry]) -> None:
        """All our files, and what others put there before (the report) as long as it exists."""
        sums = {
            path: digest
            for path, digest in read_manifest(self.plan.folder).items()
            if path not in ours and (self.plan.folder / path).is_file()
        }
        sums.update({path: entry.sha256 for path, entry in files.items()})
        sums["history.json"] = file_sha256(self.plan.folder / "history.json")
        write_manifest(self.plan.folder, sums)

    def _written(self, entry: FileEntry) -> WrittenFile:
        action: Action = "made"
        if entry.path in self.kept or entry.path in self._unchanged:
            action = "kept"
        elif entry.path in self.taken_over:
            action = "tagged"
        return WrittenFile(
            path=self.plan.folder / entry.path,
            kind=entry.kind,
            size_bytes=entry.size_bytes,
            sha256=entry.sha256,
            length_frames=entry.length_frames,
            action=action,
            lowered_db=entry.lowered_db,
        )
