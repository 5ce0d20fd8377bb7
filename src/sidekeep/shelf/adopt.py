"""Bring existing recordings onto the shelf: copied or moved, checksummed, read back, then read-only."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from sidekeep.errors import ShelfError
from sidekeep.files.atomic import whole_file, write_json
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.model.audio import AudioFormat
from sidekeep.shelf.record_folder import RecordFolder, ShelfTake, TakeFile

_CHUNK_BYTES = 1 << 20


def adopt_take(
    folder: RecordFolder,
    side: str,
    paths: Sequence[Path],
    form: AudioFormat,
    *,
    move: bool = False,
    stylus: str = "",
    problems: Sequence[str] = (),
    progress: Progress = no_progress,
) -> ShelfTake:
    """Copy the pieces of one take into a new take folder and close it.

    With ``move`` the originals are removed after every copy has been read back and found equal.
    """
    take_folder = folder.new_take_folder(side)
    total = sum(path.stat().st_size for path in paths) or 1
    done = 0
    files: list[TakeFile] = []
    try:
        for index, path in enumerate(paths):
            name = f"take{'' if len(paths) == 1 else f'-{index + 1}'}{path.suffix.lower()}"
            files.append(_copy_checked(path, take_folder / name))
            done += files[-1].size_bytes
            progress(done / total, f"adopting {path.name}")
        take = ShelfTake(
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
            how="adopted",
            stylus=stylus,
            original_name=", ".join(path.name for path in paths),
            problems=tuple(problems),
        )
        close_take(take_folder, take)
    except BaseException:
        for file in files:
            with contextlib.suppress(OSError):
                (take_folder / file.name).unlink()
        with contextlib.suppress(OSError):
            take_folder.rmdir()
        raise
    if move:
        for path in paths:
            path.unlink()
    return take


def close_take(take_folder: Path, take: ShelfTake) -> None:
    """Write the facts and make the sound read-only: from here on it is never changed."""
    for file in take.files:
        path = take_folder / file.name
        path.chmod(path.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH))
    write_json(take_folder / "take.json", take.facts())


def hash_file(path: Path) -> str:
    """SHA-256 of a file."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def _copy_checked(source: Path, target: Path) -> TakeFile:
    digest = hashlib.sha256()
    with whole_file(target) as part:
        with source.open("rb") as reading, part.open("wb") as writing:
            while chunk := reading.read(_CHUNK_BYTES):
                digest.update(chunk)
                writing.write(chunk)
            writing.flush()
            os.fsync(writing.fileno())
        if hash_file(part) != digest.hexdigest():
            raise ShelfError(
                f"the copy of {source.name} reads back differently: check the disk and its cable"
            )
    return TakeFile(name=target.name, size_bytes=target.stat().st_size, sha256=digest.hexdigest())
