"""Recordings that exist already, brought onto the shelf."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sidekeep.copies.kept.intact import known_sums
from sidekeep.errors import ParameterError, ShelfError
from sidekeep.files.checksum import FileState, file_sha256
from sidekeep.files.guard import OutputGuard, refuse_removal
from sidekeep.files.reading.own_sum import own_sum_findings
from sidekeep.files.reading.reader import open_take
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.model.finding import Finding
from sidekeep.model.record import Record
from sidekeep.service.choices.named_sides import name_findings, order_findings, side_said, sides_of_names
from sidekeep.service.choices.sleeves import TakeFiles, assign_files, load_sleeve
from sidekeep.service.shelf.pyramids import PEAKS
from sidekeep.service.shelf.records import (
    add_record,
    find_record,
    index_record,
    make_shelf,
    plan_record,
    planned_before,
    unnamed_before,
)
from sidekeep.service.shelf.same_takes import same_sound_as_other_sides
from sidekeep.shelf.adopt import adopt_take, remove_originals, whole_on_shelf
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work, records_lock
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.sleeve.parts.quoting import visible
from sidekeep.wording.findings import finding_text


@dataclass(frozen=True, kw_only=True)
class Adopted:
    """What came onto the shelf, and what there is to tell of each take, by its number in ``takes``."""

    folder: RecordFolder
    takes: tuple[ShelfTake, ...]
    findings: tuple[tuple[Finding, ...], ...]


def adopt(
    files: Sequence[Path],
    *,
    shelf: Path,
    sleeve_path: Path | None = None,
    record_name: str | None = None,
    side_letters: Sequence[str] | None = None,
    move: bool = False,
    stylus: str = "",
    progress: Progress = no_progress,
) -> Adopted:
    """Bring recordings in, for a new record (with its sleeve) or one that is on the shelf: named, or planned from this sleeve and
    still without a take. Where an earlier call for the same recordings was broken off, it goes on in its record; one that
    holds them all is a ``ShelfError`` when there is nothing to move. With ``move`` originals are removed at the very end, once
    all are proved to be on the shelf: whatever breaks it off, the same call goes on."""
    OutputGuard(files).check(shelf)
    for path in files if move else ():
        refuse_removal(path)
    wish = _Wish(
        files=files, shelf=shelf, sleeve_path=sleeve_path, record_name=record_name, letters=side_letters
    )
    plan = wish.plan(may_be_there=move)  # every file is opened before anything is made
    before = {path: FileState.of(path) for path in files}
    takes: list[ShelfTake] = []
    told: list[tuple[Finding, ...]] = []
    with contextlib.ExitStack() as held:
        folder, plan = _hold_record(held, wish, plan.folder, move, progress)
        for index, (take, source) in enumerate(zip(plan.takes, plan.sources, strict=True)):
            letters = "".join(side.name for side in take.sides) if take.sides else "A"
            there = plan.there[index]
            if there is not None and there.side == letters:
                if move:
                    whole_on_shelf(folder, there)
                takes.append(there)
                told.append(())
                continue
            odd = [*source.problems, *own_sum_findings(source)]
            if side_letters is None:
                frames = source.format.length_frames
                odd += name_findings(take.paths[0], tuple(letters), frames)
                odd += order_findings(take.paths[0], tuple(letters), plan.record, frames)
            odd += same_sound_as_other_sides(folder, letters, take.paths[0], source)
            told.append(tuple(odd))
            takes.append(
                adopt_take(
                    folder,
                    letters,
                    take.paths,
                    source.format,
                    stylus=stylus,
                    wanted=known_sums(take.paths),
                    problems=[finding_text(finding, source.format.rate_hz) for finding in odd],
                    progress=part(progress, index / len(plan.takes), (index + 0.9) / len(plan.takes)),
                )
            )
            kept_in = folder.path / takes[-1].folder
            PEAKS.of(
                kept_in,
                open_take([kept_in / file.name for file in takes[-1].files]),
                part(progress, (index + 0.9) / len(plan.takes), (index + 1) / len(plan.takes)),
            )
            index_record(shelf, folder)  # a run that is broken off leaves the index right
        if move:
            remove_originals(before)
    index_record(shelf, folder)
    return Adopted(folder=folder, takes=tuple(takes), findings=tuple(told))


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """The record that recordings go to, None for one that is still to be made, and what it says; the takes they are, opened; and
    which of these it holds already."""

    folder: RecordFolder | None
    record: Record
    takes: list[TakeFiles]
    sources: list[FileSource]
    there: list[ShelfTake | None]


@dataclass(frozen=True, kw_only=True)
class _Wish:
    """What was asked for. What of it is done already is looked up anew each time: somebody else may be bringing in the same."""

    files: Sequence[Path]
    shelf: Path
    sleeve_path: Path | None
    record_name: str | None
    letters: Sequence[str] | None
    opened: dict[tuple[Path, ...], FileSource] = field(default_factory=dict)
    sums: dict[Path, str] = field(default_factory=dict)

    def plan(self, *, may_be_there: bool) -> _Plan:
        """What is to be done as things stand. Raises ``ShelfError`` where all is there, unless it may be."""
        folder = self._found()
        may_go_on = folder is not None and self._may_go_on(folder)
        record = self._record_of(folder, may_go_on)
        if folder is not None and self.record_name is not None and may_go_on and not may_be_there:
            if self.files and all(self._held(folder, [path]) for path in self.files):
                raise ShelfError("record-holds-them", name=folder.path.name)
        letters = self.letters
        if self.record_name is not None and letters is None:
            letters = _sides_left(folder, record, self.files)
        takes = assign_files(self.files, record if record.sides else None, letters)
        sources = [self._open(take.paths) for take in takes]
        there: list[ShelfTake | None] = [None] * len(takes)
        if folder is not None and may_go_on:
            there = [self._held(folder, take.paths) for take in takes]
            if all(there) and not may_be_there:
                raise ShelfError(
                    "record-holds-them" if self.record_name is not None else "adopted-before",
                    name=folder.path.name,
                )
            folder = folder if self.record_name is not None or any(there) else None
        return _Plan(folder=folder, record=record, takes=takes, sources=sources, there=there)

    def _may_go_on(self, folder: RecordFolder) -> bool:
        """Whether takes of the record that hold the very same files are these recordings: who names record and side wants another
        take of it, also of the same sound."""
        return bool(folder.takes()) and (self.record_name is None or self.letters is None)

    def _record_of(self, folder: RecordFolder | None, may_go_on: bool) -> Record:
        """What the record says that is named or still without a take; else what the sleeve said that was given now."""
        if folder is not None and (self.record_name is not None or not may_go_on):
            return folder.record()
        return self._record_said()

    def make(self) -> RecordFolder:
        """A new record for them, in the index at once, so that whoever looks next finds it."""
        if self.sleeve_path is not None:
            return plan_record(self.shelf, self.sleeve_path)
        return add_record(self.shelf, self._record_said())

    def _found(self) -> RecordFolder | None:
        if self.record_name is not None:
            return find_record(self.shelf, self.record_name)
        if self.sleeve_path is not None:
            return planned_before(self.shelf, self.sleeve_path)
        return unnamed_before(self.shelf, self._record_said()) if self.files else None

    def _record_said(self) -> Record:
        sleeve = load_sleeve(self.sleeve_path)
        if sleeve is not None:
            return sleeve.record
        return Record(title=visible(self.files[0].stem) if self.files else "")

    def _open(self, paths: tuple[Path, ...]) -> FileSource:
        # Whoever came first may have moved them: opening says so in one line.
        if paths not in self.opened or not all(path.exists() for path in paths):
            self.opened[paths] = open_take(paths)
        return self.opened[paths]

    def _held(self, folder: RecordFolder, paths: Sequence[Path]) -> ShelfTake | None:
        """The take of a record that holds the very same files, in the same order."""
        sizes = [path.stat().st_size for path in paths]
        alike = [take for take in folder.takes() if [file.size_bytes for file in take.files] == sizes]
        for path in paths if alike else ():
            self.sums[path] = self.sums.get(path) or file_sha256(path)
        return next(
            (take for take in alike if [file.sha256 for file in take.files] == [self.sums[p] for p in paths]),
            None,
        )


def _hold_record(
    held: contextlib.ExitStack, wish: _Wish, folder: RecordFolder | None, move: bool, progress: Progress
) -> tuple[RecordFolder, _Plan]:
    """Hold the record that the recordings go to, made where there is none. Whoever had to wait looks again what is left to do:
    the one that came first may have brought in the same."""
    while True:
        if folder is None:
            make_shelf(wish.shelf)
            with records_lock(wish.shelf):
                plan = wish.plan(may_be_there=move)
                if plan.folder is None:
                    made = wish.make()
                    held.enter_context(at_work(made.path, "adopting"))
                    return made, plan
                folder = plan.folder
        held.enter_context(
            at_work(folder.path, "adopting", wait_s=None, waiting=lambda text: progress(0.0, text))
        )
        plan = wish.plan(may_be_there=move)
        if plan.folder is not None and plan.folder.path == folder.path:
            return folder, plan
        held.close()
        folder = plan.folder


def _sides_left(folder: RecordFolder | None, record: Record, files: Sequence[Path]) -> list[str] | None:
    """For recordings that are brought to a record with takes: the sides they are by their names, or those no take is of yet. None
    where the order of the sleeve decides, as for a record without takes. Raises ``ParameterError`` where nothing tells."""
    sides = [side.name for side in record.sides]
    taken = {letter for take in folder.takes() for letter in take.side} if folder else set()
    missing = [side for side in sides if side not in taken]
    if not sides or len(missing) == len(sides) or len(files) >= len(sides):
        return None
    found = sides_of_names([path.name for path in files], sides, missing)
    if (
        not missing
        and len(files) == 1
        and side_said(files[0].name, dict.fromkeys(sides, record.sides[0])) is None
    ):
        found = [""]
    if not all(found):
        raise ParameterError("sides-unclear", files=len(files), sides=len(sides))
    return found
