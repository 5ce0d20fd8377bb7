"""Bring existing recordings onto the shelf: copied, checksummed, read back, then read-only; a moved original goes last."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from sidekeep.errors import ChecksumError, CopyError, ShelfError
from sidekeep.files.atomic import (
    copy_error,
    flush_folder,
    forget_parts,
    part_path,
    told_as,
    whole_file,
    write_json,
)
from sidekeep.files.checksum import FileState, copy_sha256, file_sha256
from sidekeep.files.guard import refuse_removal
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.model.audio import AudioFormat
from sidekeep.model.news import News
from sidekeep.shelf.inventory import remember
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake, TakeFile
from sidekeep.shelf.sleeve.parts.quoting import visible


def adopt_take(
    folder: RecordFolder,
    side: str,
    paths: Sequence[Path],
    form: AudioFormat,
    *,
    stylus: str = "",
    how: Literal["adopted", "combined"] = "adopted",
    original_name: str = "",
    problems: Sequence[str] = (),
    wanted: Sequence[str | None] | None = None,
    notes: Sequence[News] = (),
    progress: Progress = no_progress,
) -> ShelfTake:
    """Copy the pieces of one take into a new take folder and close it; every copy has been read back and found equal then. The
    folder gets its name whole: one that was killed on the way leaves no half take.

    ``wanted`` are checksums the pieces are known to have: another one is a ``ChecksumError``.
    """
    for path in paths:
        if path.resolve().is_relative_to(folder.path.resolve()):
            raise ShelfError("adopted-already", path=path, name=folder.path.name)
    before = [FileState.of(path) for path in paths]
    take_folder = folder.free_take_folder(side)
    making = part_path(take_folder.with_name(".new"))
    total = sum(path.stat().st_size for path in paths) or 1
    done = 0
    files: list[TakeFile] = []
    try:
        take_folder.parent.mkdir(exist_ok=True)
        forget_parts(take_folder.parent)
        making.mkdir()
        for index, path in enumerate(paths):
            name = f"take{'' if len(paths) == 1 else f'-{index + 1}'}{path.suffix.lower()}"
            files.append(_copy_checked(path, making / name, wanted[index] if wanted else None))
            if FileState.of(path) != before[index]:
                raise ChecksumError("source-changed", path=path)
            done += files[-1].size_bytes
            progress(done / total, f"adopting {path.name}")
        take = new_take(
            folder,
            take_folder,
            form,
            side=side,
            files=files,
            how=how,
            stylus=stylus,
            original_name=original_name or ", ".join(visible(path.name) for path in paths),
            problems=tuple(problems),
            notes=tuple(notes),
        )
        write_facts(making, take)
        os.rename(making, take_folder)
        flush_folder(take_folder.parent)
    except BaseException as error:
        shutil.rmtree(making, ignore_errors=True)
        if isinstance(error, OSError):
            raise copy_error(error, take_folder) from error
        if isinstance(error, CopyError):
            raise told_as(error, making, take_folder) from error
        raise
    remember_take(take_folder, take)
    return take


def whole_on_shelf(folder: RecordFolder, take: ShelfTake) -> None:
    """Read a take again; ``ShelfError`` where a file of it is not what was once brought in."""
    for file in take.files:
        if file_sha256(folder.path / take.folder / file.name) != file.sha256:
            raise ShelfError("copy-reads-back-differently", name=f"{take.folder}/{file.name}")


def remove_originals(states: Mapping[Path, FileState]) -> None:
    """Remove files whose copies are proved equal; ``ChecksumError`` for one that was written to since then."""
    for path, state in states.items():
        refuse_removal(path)
        if FileState.of(path) != state:
            raise ChecksumError("source-written", path=path)
        path.unlink()


def new_take(
    folder: RecordFolder,
    take_folder: Path,
    form: AudioFormat,
    *,
    side: str,
    files: Sequence[TakeFile],
    **facts: Any,
) -> ShelfTake:
    """The facts of a take that is whole now: form and place as they are, and what else is known of it (``facts``)."""
    return ShelfTake(
        side=side,
        number=int(take_folder.name.rpartition("-")[2]),
        folder=take_folder.relative_to(folder.path).as_posix(),
        rate_hz=form.rate_hz,
        channels=form.channels,
        bits=form.bits,
        is_float=form.is_float,
        length_frames=form.length_frames,
        files=tuple(files),
        taken_utc=datetime.now(UTC).replace(microsecond=0).isoformat(),
        **facts,
    )


def close_take(take_folder: Path, take: ShelfTake) -> None:
    """Write the facts and make the sound read-only: from here on it is never changed, and missed when it is gone."""
    write_facts(take_folder, take)
    remember_take(take_folder, take)


def write_facts(take_folder: Path, take: ShelfTake) -> None:
    """Make the sound read-only and write ``take.json``."""
    for file in take.files:
        path = take_folder / file.name
        # Some disks keep no permissions, or refuse to change them; the take is whole without.
        with contextlib.suppress(OSError):
            path.chmod(path.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH))
    write_json(take_folder / "take.json", take.facts())


def remember_take(take_folder: Path, take: ShelfTake) -> None:
    """Note in the inventory that this take must be there."""
    record_folder = take_folder.parent.parent
    if (record_folder / "record.toml").is_file():
        remember(record_folder, takes=[(take.folder, {file.name: file.sha256 for file in take.files})])


def _copy_checked(source: Path, target: Path, wanted: str | None) -> TakeFile:
    with whole_file(target) as part:
        digest = copy_sha256(source, part)
        if wanted is not None and digest != wanted:
            raise ChecksumError("source-differs", path=source)
        if file_sha256(part) != digest:
            raise ShelfError("copy-reads-back-differently", name=source.name)
    return TakeFile(name=target.name, size_bytes=target.stat().st_size, sha256=digest)
