"""Recordings that exist already, brought onto the shelf."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sidekeep.copies.kept.intact import known_sums
from sidekeep.errors import ParameterError, ShelfError
from sidekeep.files.checksum import FileState, file_sha256
from sidekeep.files.guard import OutputGuard, refuse_removal
from sidekeep.files.reading.own_sum import own_sum_findings
from sidekeep.files.reading.reader import open_take
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.model.finding import Finding
from sidekeep.model.record import Record
from sidekeep.service.choices.named_sides import name_findings, order_findings, side_said, sides_of_names
from sidekeep.service.choices.sleeves import assign_files, load_sleeve
from sidekeep.service.shelf.pyramids import PEAKS
from sidekeep.service.shelf.records import (
    find_record,
    free_folder,
    index_record,
    plan_record,
    planned_before,
    unnamed_before,
)
from sidekeep.shelf.adopt import adopt_take, remove_originals, whole_on_shelf
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.sleeve.parts.quoting import visible
from sidekeep.shelf.sleeve.writing import write_sleeve
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
    folder: RecordFolder | None
    if record_name is not None:
        folder = find_record(shelf, record_name)
    elif sleeve_path is not None:
        folder = planned_before(shelf, sleeve_path)
    else:
        folder = unnamed_before(shelf, Record(title=visible(files[0].stem))) if files else None
    may_go_on = record_name is None and folder is not None and bool(folder.takes())
    if folder is not None and not may_go_on:
        record = folder.record()
    else:
        sleeve = load_sleeve(sleeve_path)
        record = sleeve.record if sleeve else Record(title=visible(files[0].stem) if files else "")
    told_sides = side_letters
    if record_name is not None and side_letters is None:
        told_sides = _sides_left(folder, record, files)
    takes_files = assign_files(files, record if record.sides else None, told_sides)
    sources = [
        open_take(take.paths) for take in takes_files
    ]  # every file is opened before anything is copied
    before = {path: FileState.of(path) for path in files}
    held: list[ShelfTake | None] = [None] * len(takes_files)
    if folder is not None and may_go_on:
        held = [_held(folder, take.paths) for take in takes_files]
        if all(held) and not move:
            raise ShelfError("adopted-before", name=folder.path.name)
        folder = folder if any(held) else None
    if folder is None:
        folder = (
            plan_record(shelf, sleeve_path)
            if sleeve_path is not None
            else RecordFolder.create(free_folder(shelf, record), sleeve=write_sleeve(record))
        )
    takes: list[ShelfTake] = []
    told: list[tuple[Finding, ...]] = []
    with at_work(folder.path, "adopting", wait_s=None, waiting=lambda text: progress(0.0, text)):
        for index, (take, source) in enumerate(zip(takes_files, sources, strict=True)):
            letters = "".join(side.name for side in take.sides) if take.sides else "A"
            there = held[index]
            if there is not None and there.side == letters:
                if move:
                    whole_on_shelf(folder, there)
                takes.append(there)
                told.append(())
                continue
            odd = [*source.problems, *own_sum_findings(source)]
            if side_letters is None:
                odd += name_findings(take.paths[0], tuple(letters), source.format.length_frames)
                odd += order_findings(take.paths[0], tuple(letters), record, source.format.length_frames)
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
                    progress=part(progress, index / len(sources), (index + 0.9) / len(sources)),
                )
            )
            kept_in = folder.path / takes[-1].folder
            PEAKS.of(
                kept_in,
                open_take([kept_in / file.name for file in takes[-1].files]),
                part(progress, (index + 0.9) / len(sources), (index + 1) / len(sources)),
            )
            index_record(shelf, folder)  # a run that is broken off leaves the index right
        if move:
            remove_originals(before)
    index_record(shelf, folder)
    return Adopted(folder=folder, takes=tuple(takes), findings=tuple(told))


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


def _held(folder: RecordFolder, paths: Sequence[Path]) -> ShelfTake | None:
    """The take of a record that holds the very same files, in the same order."""
    sizes = [path.stat().st_size for path in paths]
    alike = [take for take in folder.takes() if [file.size_bytes for file in take.files] == sizes]
    sums = [file_sha256(path) for path in paths] if alike else []
    return next((take for take in alike if [file.sha256 for file in take.files] == sums), None)
