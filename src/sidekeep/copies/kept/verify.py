"""Whether files still are what they were: checksums of copies and bags, and the MD5 inside every FLAC.

A folder to verify is one that has a ``manifest-sha256.txt`` or is a bag, or any folder above such ones. Every
listed file is read in full by several threads; files that no list names are reported, and FLAC files among
them are decoded and compared with the MD5 they carry (RFC 9639, section 8.2). With ``resume_path`` a run that
was stopped goes on where it was: files found right in the same pass are not read again.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from sidekeep.copies.kept.checking import CheckPass, VerifyResult
from sidekeep.copies.kept.history import HISTORY_NAME
from sidekeep.copies.kept.manifest import MANIFEST_NAME
from sidekeep.errors import CopyError
from sidekeep.flow.progress import Progress, no_progress


def verify_folder(
    folder: Path,
    progress: Progress = no_progress,
    *,
    threads: int | None = None,
    resume_path: Path | None = None,
    decode_flac: bool = False,
) -> VerifyResult:
    """Check everything in and below a folder.

    ``decode_flac`` decodes every FLAC besides its checksum. ``resume_path`` is a small file kept while the
    pass runs and removed when it is complete. Raises ``CopyError`` when there is nothing to check by, and
    ``Cancelled`` when ``progress`` does.
    """
    folder = Path(folder)
    if not folder.exists():
        raise CopyError("no-folder", folder=folder)
    if not folder.is_dir():
        raise CopyError("not-a-folder", folder=folder)
    roots = list(_roots(folder))
    if not roots:
        raise CopyError("nothing-to-verify-by", folder=folder, manifest=MANIFEST_NAME)
    check = CheckPass(folder, threads or os.cpu_count() or 2, resume_path, decode_flac)
    try:
        for index, root in enumerate(roots):
            low, high = index / len(roots), (index + 1) / len(roots)

            def within(share: float, doing: str = "", low: float = low, high: float = high) -> None:
                progress(low + (high - low) * share, doing)

            check.root(root, within)
    finally:
        check.close()
    progress(1.0, "done")
    check.complete()
    return check.result()


def check_sums(
    folder: Path,
    sums: Mapping[str, str],
    progress: Progress = no_progress,
    *,
    threads: int | None = None,
    resume_path: Path | None = None,
    decode_flac: bool = False,
) -> VerifyResult:
    """Check files of a folder against SHA-256 sums known from elsewhere (path with ``/`` to hex)."""
    check = CheckPass(Path(folder), threads or os.cpu_count() or 2, resume_path, decode_flac)
    try:
        check.sums(Path(folder), sums, "sha256", progress)
    finally:
        check.close()
    check.complete()
    return check.result()


def _roots(folder: Path) -> Iterator[Path]:
    """Folders with a manifest or history of ours, and bags that are not inside one."""
    if any((folder / name).is_file() for name in (MANIFEST_NAME, HISTORY_NAME, "bagit.txt")):
        yield folder
        return
    try:
        below = sorted(entry.path for entry in os.scandir(folder) if entry.is_dir(follow_symlinks=False))
    except OSError:
        return
    for path in below:
        yield from _roots(Path(path))
