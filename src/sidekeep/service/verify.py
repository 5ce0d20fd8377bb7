"""Whether what is kept still is what it was: copies, bags, and the takes on the shelf."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sidekeep.copies.kept.manifest import MANIFEST_NAME
from sidekeep.copies.kept.verify import VerifyResult, check_sums, verify_folder
from sidekeep.errors import ShelfError
from sidekeep.files.atomic import write_json
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.service.shelf import find_record, open_catalogue
from sidekeep.shelf.catalogue import record_folders
from sidekeep.shelf.record_folder import RecordFolder

CHECKS = "checks.json"
RESUME = ".verify"
_CHECKS_KEPT = 100


@dataclass(frozen=True, kw_only=True)
class Checked:
    """One place that was checked and what came of it."""

    place: Path
    result: VerifyResult


def verify(
    shelf: Path, names: Sequence[str], *, decode_flac: bool = False, progress: Progress = no_progress
) -> list[Checked]:
    """Check folders of copies, bags or records; without names everything on the shelf."""
    places: list[RecordFolder | Path] = []
    for name in names:
        path = Path(name)
        if path.is_dir() and not (path / "record.toml").exists():
            places.append(path)
        else:
            places.append(find_record(shelf, name))
    if not names:
        if not shelf.is_dir():
            raise ShelfError(f"there is no shelf at {shelf}; name a folder to verify")
        places = list(record_folders(shelf))
    checked = []
    for index, place in enumerate(places):
        share = part(progress, index / len(places), (index + 1) / len(places))
        if isinstance(place, RecordFolder):
            checked.append(Checked(place=place.path, result=verify_record(shelf, place, decode_flac, share)))
        else:
            checked.append(Checked(place=place, result=verify_folder(place, share, decode_flac=decode_flac)))
    return checked


def verify_record(
    shelf: Path, folder: RecordFolder, decode_flac: bool = False, progress: Progress = no_progress
) -> VerifyResult:
    """Takes against their checksums, copies against their manifests; the outcome is kept with its date."""
    sums = {f"{take.folder}/{file.name}": file.sha256 for take in folder.takes() for file in take.files}
    resume = folder.path / RESUME
    result = check_sums(folder.path, sums, part(progress, 0.0, 0.6), resume_path=resume)
    copies = folder.path / "copies"
    if copies.is_dir() and any(copies.rglob(MANIFEST_NAME)):
        below = verify_folder(
            copies,
            part(progress, 0.6, 1.0),
            decode_flac=decode_flac,
            resume_path=folder.path / (RESUME + "-copies"),
        )
        result = _joined(result, below)
    _keep(folder, result)
    if folder.path.is_relative_to(shelf):
        with open_catalogue(shelf) as catalogue:
            catalogue.put(folder)
    return result


def _joined(takes: VerifyResult, copies: VerifyResult) -> VerifyResult:
    def under(paths: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(f"copies/{path}" for path in paths)

    return VerifyResult(
        checked_files=takes.checked_files + copies.checked_files,
        checked_bytes=takes.checked_bytes + copies.checked_bytes,
        changed=takes.changed + under(copies.changed),
        missing=takes.missing + under(copies.missing),
        extra=under(copies.extra),
        unreadable=takes.unreadable + under(copies.unreadable),
        faults=takes.faults + copies.faults,
    )


def _keep(folder: RecordFolder, result: VerifyResult) -> None:
    path = folder.path / CHECKS
    try:
        checks = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        checks = []
    checks = checks if isinstance(checks, list) else []
    checks.append(
        {
            "checked_utc": datetime.now(UTC).replace(microsecond=0).isoformat(),
            "ok": result.ok,
            "files": result.checked_files,
            "changed": list(result.changed),
            "missing": list(result.missing),
            "unreadable": list(result.unreadable),
        }
    )
    write_json(path, checks[-_CHECKS_KEPT:], replace=True)
