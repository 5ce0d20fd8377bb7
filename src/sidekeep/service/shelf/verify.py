"""Whether what is kept still is what it was: copies, bags, and the takes on the shelf."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sidekeep.copies.kept.checking import VerifyResult
from sidekeep.copies.kept.gone import kinds_gone
from sidekeep.copies.kept.history import HISTORY_NAME
from sidekeep.copies.kept.intact import find_in_bags, not_what_it_was
from sidekeep.copies.kept.manifest import MANIFEST_NAME
from sidekeep.copies.kept.verify import check_sums, verify_folder
from sidekeep.errors import Cancelled, CopyError, RecordBusy, ShelfError, SidekeepError
from sidekeep.files.atomic import forget_parts_below, write_json
from sidekeep.files.bounded import kept_json
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.service.shelf.kept_texts import text_faults
from sidekeep.service.shelf.records import find_record, index_record, list_records
from sidekeep.service.shelf.silent_changes import Noted, silent_changes
from sidekeep.shelf.index.catalogue import record_folders
from sidekeep.shelf.inventory import Inventory, read_inventory, remember
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from sidekeep.shelf.shelf_take import TAKE_FOLDER, read_take

_log = logging.getLogger(__name__)
CHECKS = "checks.json"
RESUME = ".verify"
LISTS = (MANIFEST_NAME, HISTORY_NAME)
_CHECKS_KEPT = 100


@dataclass(frozen=True, kw_only=True)
class Checked:
    """One place that was checked and what came of it."""

    place: Path
    result: VerifyResult


def verify(
    shelf: Path, names: Sequence[str], *, decode_flac: bool = False, progress: Progress = no_progress
) -> list[Checked]:
    """Check folders of copies, bags, records or shelves; without names everything on the shelf."""
    places: list[RecordFolder | Path] = []
    for name in names:
        path = Path(name)
        if path.is_dir() and not (path / "record.toml").exists():
            places += list(record_folders(path)) or [path]
        else:
            places.append(find_record(shelf, name))
    if not names:
        if not shelf.is_dir():
            if shelf.exists():
                raise ShelfError("shelf-is-file", shelf=shelf)
            raise ShelfError("no-shelf-to-verify", shelf=shelf)
        places = list(record_folders(shelf))
    checked = [] if names else _records_gone(shelf) + _records_twice(shelf)
    for index, place in enumerate(places):
        share = part(progress, index / len(places), (index + 1) / len(places))
        if isinstance(place, RecordFolder):
            try:
                with _held(place, share, waits=bool(names)):
                    result = verify_record(shelf, place, decode_flac, share)
            except Cancelled:
                raise
            except RecordBusy as error:
                result = VerifyResult(checked_files=0, checked_bytes=0, unchecked=(str(error),))
            except (SidekeepError, OSError) as error:
                # What is the matter with one record must not keep the others from being checked.
                result = VerifyResult(checked_files=0, checked_bytes=0, faults=(str(error),))
            checked.append(Checked(place=place.path, result=result))
        else:
            checked.append(Checked(place=place, result=verify_folder(place, share, decode_flac=decode_flac)))
    return checked


@contextlib.contextmanager
def _held(folder: RecordFolder, progress: Progress, *, waits: bool) -> Iterator[None]:
    """The record for the time of the check, so that nothing is written meanwhile. Another job is waited for, or with
    ``waits`` off told by ``RecordBusy``: a whole shelf does not wait for a side that is being recorded. A shelf that can
    only be read is checked without: nobody writes there."""
    with contextlib.ExitStack() as stack:
        with contextlib.suppress(CopyError):
            stack.enter_context(
                at_work(
                    folder.path,
                    "verifying",
                    wait_s=None if waits else 0.0,
                    waiting=lambda text: progress(0.0, text),
                )
            )
        yield


def _records_gone(shelf: Path) -> list[Checked]:
    """Records that the index knows and whose folder is not there any more."""
    fault = "the record is gone; restore its folder from a backup, or 'sidekeep shelf rebuild' forgets it"
    return [
        Checked(
            place=shelf / entry.folder,
            result=VerifyResult(checked_files=0, checked_bytes=0, faults=(fault,)),
        )
        for entry in list_records(shelf)
        if entry.state == "gone"
    ]


def _records_twice(shelf: Path) -> list[Checked]:
    """Folders that are a copy of another record's folder, with its id: only one of them can be in the list."""
    known = {entry.record_id: entry.folder for entry in list_records(shelf)}
    found = []
    for folder in record_folders(shelf):
        with contextlib.suppress(ShelfError):
            place, first = folder.path.relative_to(shelf).as_posix(), known.get(folder.record_id)
            if first is not None and first != place:
                fault = (
                    f"it has the id of '{first}', so it is not in the list; where it is a copy, move it off the shelf; "
                    "to have it as a record of its own, take the line with the id out of its record.toml, then "
                    "'sidekeep shelf rebuild'"
                )
                result = VerifyResult(checked_files=0, checked_bytes=0, faults=(fault,))
                found.append(Checked(place=folder.path, result=result))
    return found


def verify_record(
    shelf: Path, folder: RecordFolder, decode_flac: bool = False, progress: Progress = no_progress
) -> VerifyResult:
    """Takes against their checksums, copies against their manifests; the outcome is kept with its date."""
    forget_parts_below(folder.path)
    told, noted = silent_changes(folder.path, (folder.last_check() or {}).get("texts"))
    expected = expected_takes(folder)
    result = check_sums(
        folder.path,
        expected.sums,
        part(progress, 0.0, 0.6),
        resume_path=folder.path / RESUME,
        decode_flac=decode_flac,
    )
    result = replace(
        result,
        extra=result.extra + expected.strange,
        faults=(
            *result.faults,
            *expected.faults,
            *_takes_lost(folder, expected, result),
            *_copies_gone(folder),
            *told,
            *_notes_lost(folder),
            *text_faults(folder),
        ),
        unchecked=result.unchecked + expected.unchecked,
    )
    copies = folder.path / "copies"
    if copies.is_dir() and any(path for name in LISTS for path in copies.rglob(name)):
        below = verify_folder(
            copies,
            part(progress, 0.6, 1.0),
            decode_flac=decode_flac,
            resume_path=folder.path / (RESUME + "-copies"),
        )
        result = _with_kinds_gone(folder, _joined(result, below))
    with _if_it_can_be_kept(folder):
        _keep(folder, result, noted)
    # What cannot be indexed was told above; the answer must not be lost over it.
    with contextlib.suppress(ShelfError):
        index_record(shelf, folder)
    return result


@dataclass(frozen=True, kw_only=True)
class ExpectedTakes:
    """Paths in the record's folder to checksums, and what is wrong or unknown before any of them is read. ``strange`` are
    folders with a take that are not called like one, so that nothing is made from it."""

    sums: dict[str, str]
    faults: tuple[str, ...]
    unchecked: tuple[str, ...]
    strange: tuple[str, ...]


def expected_takes(folder: RecordFolder) -> ExpectedTakes:
    """What the takes of a record must be: by their ``take.json``, and by the record's inventory."""
    sums: dict[str, str] = {}
    present, faults, unchecked = _present_takes(folder)
    try:
        inventory = read_inventory(folder.path)
    except ShelfError as error:
        faults.append(str(error))
        inventory = Inventory()
    elsewhere = {tuple(sorted(files.values())): name for name, files in present.items()}
    binned = _binned(folder)
    strange = tuple(name for name in present if not TAKE_FOLDER.fullmatch(Path(name).name))
    for name, files in {**inventory.takes, **present}.items():
        is_checked = True
        if name in present:
            known = inventory.takes.get(name)
            if known is not None and known != files:
                faults.append(f"{name}/take.json gives other checksums than when the take was closed")
                files = known
        else:
            found = elsewhere.get(tuple(sorted(files.values())))
            fault, is_checked = _missing(
                folder, name, found, strange, tuple(sorted(files.values())) in binned
            )
            faults += [fault] if fault else []
        if is_checked:
            sums |= {f"{name}/{file}": digest for file, digest in files.items()}
    if not faults:
        with _if_it_can_be_kept(folder):
            remember(folder.path, takes=present.items())
    return ExpectedTakes(sums=sums, faults=tuple(faults), unchecked=tuple(unchecked), strange=strange)


def _present_takes(folder: RecordFolder) -> tuple[dict[str, dict[str, str]], list[str], list[str]]:
    """The takes that are there, with the checksums their ``take.json`` gives; what is wrong, and what nothing tells of."""
    present: dict[str, dict[str, str]] = {}
    faults: list[str] = []
    unchecked: list[str] = []
    for place in sorted(path for path in (folder.path / "takes").glob("*") if path.is_dir()):
        is_called_so = TAKE_FOLDER.fullmatch(place.name) is not None
        if place.name.startswith(".") or not any(place.iterdir() if is_called_so else place.glob("take.*")):
            continue
        name = f"takes/{place.name}"
        try:
            take = read_take(place, folder.path)
            present[name] = {file.name: file.sha256 for file in take.files}
        except ShelfError as error:
            if (place / "take.json").exists():
                faults.append(str(error))
            else:
                unchecked.append(
                    f"{name} has no take.json, so nothing tells what its sound should be; "
                    "'sidekeep shelf repair' closes a take that was interrupted"
                )
    return present, faults, unchecked


def _missing(
    folder: RecordFolder, name: str, found: str | None, strange: Sequence[str], is_binned: bool
) -> tuple[str, bool]:
    """Of a take that the inventory knows and that is not where it was: what is wrong, and whether its files are checked there all
    the same. ``found`` is the take that holds the same sound now."""
    if found is not None and found in strange:
        fault = (
            f"{name} is called {found} now, which is no name of a take, so nothing is made from it; call it {name} again, "
            "or 'sidekeep shelf rebuild' forgets it"
        )
        return fault, False
    if found is not None or is_binned:
        return "", False
    if (folder.path / name / "take.json").exists():
        return "", True  # what is wrong with it is told already
    if (folder.path / name).is_dir():
        return (
            f"{name} has lost its take.json; its sound is checked by the inventory of the record",
            True,
        )
    return f"{name} is gone; it is not in the bin either", True


@contextlib.contextmanager
def _if_it_can_be_kept(folder: RecordFolder) -> Iterator[None]:
    """A disk that is full or read-only takes no note of a check; the check itself is as good as any."""
    try:
        yield
    except CopyError as error:
        _log.warning("%s: the outcome is told but not kept (%s)", folder.path.name, error)


def _binned(folder: RecordFolder) -> set[tuple[str, ...]]:
    """Checksums of the takes in the bin."""
    found = set()
    for place in (folder.path / "takes" / ".bin").glob("*"):
        with contextlib.suppress(ShelfError):
            found.add(tuple(sorted(file.sha256 for file in read_take(place, folder.path).files)))
    return found


def _copies_gone(folder: RecordFolder) -> tuple[str, ...]:
    """Folders of copies that should be there, and files of copies that no list names at all."""
    copies = folder.path / "copies"
    faults = []
    with contextlib.suppress(ShelfError):
        for name in read_inventory(folder.path).copies:
            if not (copies / name).is_dir():
                faults.append(
                    f"copies/{name} is gone; make the copies again, or 'sidekeep shelf rebuild' forgets it"
                )
    for place in sorted(path for path in copies.glob("*") if path.is_dir()):
        if not any((place / name).is_file() for name in (*LISTS, "bagit.txt")) and any(
            path.is_file() for path in place.rglob("*")
        ):
            faults.append(
                f"copies/{place.name} has no {MANIFEST_NAME} and no {HISTORY_NAME}: nothing in it was checked"
            )
    return tuple(faults)


def _notes_lost(folder: RecordFolder) -> tuple[str, ...]:
    """The notes of earlier checks, where they cannot be read: nothing tells then what rotted in a text since."""
    path = folder.path / CHECKS
    if not path.is_file() or isinstance(kept_json(path), list):
        return ()
    return (
        f"{CHECKS} cannot be read, and with it what earlier checks noted is lost; it is begun anew: "
        "the disk may be failing",
    )


def _takes_lost(folder: RecordFolder, expected: ExpectedTakes, result: VerifyResult) -> list[str]:
    """What to do about recordings that are not what they were or not there: whether a bag still holds them."""
    told = [
        str(not_what_it_was(folder.path / path, expected.sums[path]))
        for path in (*result.changed, *result.unreadable)
    ]
    for path in result.missing:
        if (held := find_in_bags(folder.path / path, expected.sums[path])) is not None:
            told.append(f"{path} is missing, and {held[0]} still holds its sound")
    return told


def _with_kinds_gone(folder: RecordFolder, result: VerifyResult) -> VerifyResult:
    """A whole kind of copies that is gone is told in one sentence instead of file by file, with what can be done."""
    missing, faults = list(result.missing), []
    for place in sorted(path for path in (folder.path / "copies").glob("*") if path.is_dir()):
        for kind in kinds_gone(place):
            within = f"copies/{place.name}/{kind}/"
            missing = [path for path in missing if not path.startswith(within)]
            faults.append(
                f"{within.rstrip('/')} is gone; 'sidekeep copies' makes it again, 'sidekeep shelf rebuild' forgets it"
            )
    return replace(result, missing=tuple(missing), faults=(*result.faults, *faults))


def _joined(takes: VerifyResult, copies: VerifyResult) -> VerifyResult:
    def under(paths: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(f"copies/{path}" for path in paths)

    return VerifyResult(
        checked_files=takes.checked_files + copies.checked_files,
        checked_bytes=takes.checked_bytes + copies.checked_bytes,
        changed=takes.changed + under(copies.changed),
        missing=takes.missing + under(copies.missing),
        extra=takes.extra + under(copies.extra),
        unreadable=takes.unreadable + under(copies.unreadable),
        faults=takes.faults + copies.faults,
        unchecked=takes.unchecked + copies.unchecked,
    )


def _keep(folder: RecordFolder, result: VerifyResult, noted: Noted) -> None:
    path = folder.path / CHECKS
    known: Any = kept_json(path)
    checks: list[Any] = known if isinstance(known, list) else []
    covers = ""
    with contextlib.suppress(ShelfError, OSError):  # it was told above, and is no check that stands
        covers = folder.covers()
    for check in checks:
        if isinstance(check, dict):
            check.pop("texts", None)  # the newest is enough
    checks.append(
        {
            "checked_utc": datetime.now(UTC).replace(microsecond=0).isoformat(),
            "ok": result.ok and result.is_complete,
            "covers": covers,
            "files": result.checked_files,
            "changed": list(result.changed),
            "missing": list(result.missing),
            "unreadable": list(result.unreadable),
            "faults": list(result.faults),
            "unchecked": list(result.unchecked),
            "texts": noted,
        }
    )
    write_json(path, checks[-_CHECKS_KEPT:], replace=True)
