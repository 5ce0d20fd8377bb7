"""The ``.making`` folder: audio that is finished and read back but not yet named, and samples waiting.

A file here carries its audio key as its name. The journal says which are whole, so that a run after a power
cut goes on from them. Several threads note what they finished; one lock guards the journal.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

from sidekeep.copies.kept.history import MAKING_FOLDER, FileEntry, MakingJournal, Staged
from sidekeep.copies.kept.payload import payload_sha256
from sidekeep.copies.keys import key_of
from sidekeep.copies.plan.planned import PlannedFile
from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.copies.tracks.levels import HeardTrack, Piece, RecordLevels
from sidekeep.errors import CopyError
from sidekeep.files.atomic import copy_error, forget_parts


class Making:
    """One record's ``.making`` folder."""

    def __init__(self, record_folder: Path, sides: Sequence[SideAudio]) -> None:
        self.record_folder = record_folder
        self.folder = record_folder / MAKING_FOLDER
        self._sides = sides
        self._lock = threading.RLock()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise copy_error(problem, record_folder) from problem
        self._journal = MakingJournal(self.folder)

    def path(self, planned: PlannedFile) -> Path:
        """Where a file waits."""
        return self.folder / f"{planned.audio_key}{planned.suffix}"

    def spill_path(self, rate_hz: int, piece: Piece) -> Path:
        """Where the samples of a track at a rate wait."""
        key = key_of("spill", self._sides[piece[0]], rate_hz, piece[1])
        return self.folder / f"{key}.f32"

    def spill_paths(self, planned: PlannedFile) -> dict[Piece, Path]:
        """The samples that a lossy file is made of, and those heard around it."""
        pieces = (*planned.pieces, *(piece for piece in planned.around if piece is not None))
        return {piece: self.spill_path(planned.rate_hz, piece) for piece in pieces}

    def spills(self, planned: PlannedFile) -> list[tuple[Path, int]]:
        """The samples that a lossy file is made of, in order, with the number of channels of each."""
        return [self._spill(planned, piece) for piece in planned.pieces]

    def spills_around(self, planned: PlannedFile) -> list[tuple[Path, int] | None]:
        """The samples heard before and after a lossy file."""
        return [piece and self._spill(planned, piece) for piece in planned.around]

    def _spill(self, planned: PlannedFile, piece: Piece) -> tuple[Path, int]:
        return self.spill_path(planned.rate_hz, piece), self._sides[piece[0]].channels

    def has_spills(self, planned: PlannedFile) -> bool:
        """Whether all samples of a lossy file are there, whole."""
        return all(self.has_spill(path) for path in self.spill_paths(planned).values())

    def has_spill(self, path: Path) -> bool:
        """Whether one track's samples are there, whole."""
        with self._lock:
            size = self._journal.spilled.get(path.name)
        return size is not None and path.is_file() and path.stat().st_size == size

    def note_spill(self, path: Path) -> None:
        """A track's samples are whole."""
        with self._lock:
            self._journal.spilled[path.name] = path.stat().st_size
            self._journal.save()

    def staged(self, planned: PlannedFile) -> Staged | None:
        """What is known of a file that waits."""
        with self._lock:
            return self._journal.staged.get(planned.audio_key)

    def note_staged(
        self,
        planned: PlannedFile,
        *,
        payload: str | None = None,
        lowered_db: float = 0.0,
        true_peak_dbtp: float | None = None,
    ) -> None:
        """A file is whole and was read back."""
        path = self.path(planned)
        staged = Staged(
            payload_sha256=payload or payload_sha256(path),
            lowered_db=lowered_db,
            true_peak_dbtp=true_peak_dbtp,
        )
        with self._lock:
            self._journal.staged[planned.audio_key] = staged
            self._journal.save()

    def levels(self, record_key: str) -> RecordLevels | None:
        """What an earlier run measured of the same sound."""
        return self._journal.levels.get(record_key)

    def note_levels(self, record_key: str, levels: RecordLevels) -> None:
        """The record was measured whole."""
        with self._lock:
            self._journal.levels = {record_key: levels}
            self._journal.save()

    def heard(self, side: int) -> dict[Piece, HeardTrack]:
        """What an earlier run heard of a side: of all its tracks, whole, or of none."""
        known = {
            (side, track): heard
            for track, (start, stop) in enumerate(self._sides[side].spans)
            if (heard := self._journal.heard.get(self._heard_key((side, track)))) is not None
            and heard.length_frames == stop - start
        }
        return known if len(known) == len(self._sides[side].spans) else {}

    def note_heard(self, heard: Mapping[Piece, HeardTrack]) -> None:
        """Tracks were heard whole: a run that waited for other sides need not feed them again to know their level."""
        with self._lock:
            self._journal.heard = {self._heard_key(piece): each for piece, each in heard.items()}
            self._journal.save()

    def _heard_key(self, piece: Piece) -> str:
        return key_of("heard", self._sides[piece[0]], piece[1])

    def take_over(self, planned: PlannedFile, entry: FileEntry) -> None:
        """Same sound, other tags or name: start from the finished file, without encoding."""
        path = self.path(planned)
        shutil.copyfile(self.record_folder / entry.path, path)
        payload = payload_sha256(path)
        if payload != entry.payload_sha256:
            raise CopyError("kept-copy-differs", path=entry.path)
        self.note_staged(
            planned, payload=payload, lowered_db=entry.lowered_db, true_peak_dbtp=entry.true_peak_dbtp
        )

    def use_prepared(self, planned: PlannedFile) -> bool:
        """A lossy file that was made before all sides were known becomes this one; whether there was a whole one."""
        if planned.audio_key == planned.alone_key:
            return False
        with self._lock:
            prepared = self._journal.staged.get(planned.alone_key)
            file = self.folder / f"{planned.alone_key}{planned.suffix}"
            if prepared is None or not file.is_file():
                return False
            file.replace(self.path(planned))
            self._journal.staged[planned.audio_key] = self._journal.staged.pop(planned.alone_key)
            self._journal.save()
        return self.holds(planned)

    def holds(self, planned: PlannedFile) -> bool:
        """Whether an earlier run left this file whole; a lossy one with its samples, to be made lower.
        What is not whole is forgotten."""
        if self._is_whole(planned):
            return True
        with self._lock:
            self._journal.staged.pop(planned.audio_key, None)
        return False

    def _is_whole(self, planned: PlannedFile) -> bool:
        staged = self.staged(planned)
        path = self.path(planned)
        if staged is None or not path.is_file() or (planned.is_lossy and not self.has_spills(planned)):
            return False
        try:
            return payload_sha256(path) == staged.payload_sha256
        except CopyError:
            return False

    def keep_only(self, files: Sequence[PlannedFile]) -> None:
        """Remove what waits and is for none of these files."""
        waits = {self.path(planned) for planned in files}
        samples = {path for planned in files for path in self.spill_paths(planned).values()}
        wanted = {path.name for path in waits | samples}
        with self._lock:
            staged = {path.stem: path for path in self.folder.iterdir() if path.stem in self._journal.staged}
            spilled = {name: self.folder / name for name in self._journal.spilled}
            gone = [path for path in (*staged.values(), *spilled.values()) if path.name not in wanted]
            for path in gone:
                self._journal.staged.pop(path.stem, None)
                self._journal.spilled.pop(path.name, None)
            if gone:
                self._journal.save()  # first: what it names must be there
        for path in gone:
            path.unlink(missing_ok=True)

    def tidy(self) -> None:
        """After a run that broke off: nothing half stays, and no folder that is of no use."""
        forget_parts(self.folder, mine=True)
        if not self._journal.staged and not self._journal.spilled:
            self.clear()
        if self.record_folder.is_dir() and not any(self.record_folder.iterdir()):
            self.record_folder.rmdir()

    def discard(self) -> None:
        """After a run whose sound was not what it should be."""
        self._journal.staged.clear()
        self._journal.spilled.clear()
        self._journal.heard.clear()
        self.tidy()

    def clear(self) -> None:
        """After a run that is complete."""
        shutil.rmtree(self.folder, ignore_errors=True)
