"""A recorded file becomes a take on the shelf: facts, checksum, read-only. What an interrupted evening left is repaired."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from sidekeep.devices.take_keeper import forget_reserve
from sidekeep.errors import AudioFileError, ShelfError, SidekeepError
from sidekeep.files.atomic import copy_error
from sidekeep.files.checksum import file_sha256
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave.repair import repair_take
from sidekeep.model.news import News
from sidekeep.service.recording.room import bring_home, left_elsewhere
from sidekeep.shelf.adopt import close_take, new_take
from sidekeep.shelf.index.catalogue import record_folders
from sidekeep.shelf.index.index import open_index
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import is_held, try_lock
from sidekeep.shelf.shelf_take import ShelfTake, TakeFile
from sidekeep.shelf.surveys.draft import forget_drafts

_TAKING = ".taking"


def close_recorded(
    folder: RecordFolder,
    path: Path,
    *,
    side: str,
    stylus: str = "",
    input_name: str = "",
    notes: Sequence[News] = (),
) -> ShelfTake:
    """Facts, checksum, read-only: the take is finished and on the shelf."""
    take_folder = path.parent
    take = new_take(
        folder,
        take_folder,
        open_source(path).format,
        side=side,
        files=[TakeFile(name=path.name, size_bytes=path.stat().st_size, sha256=file_sha256(path))],
        how="recorded",
        stylus=stylus,
        input_name=input_name,
        notes=tuple(notes),
    )
    close_take(take_folder, take)
    return take


@contextlib.contextmanager
def only_one_taker(shelf: Path) -> Iterator[None]:
    """A second sidekeep must not record onto the same shelf: two would fight for one input."""
    try:
        shelf.mkdir(parents=True, exist_ok=True)
        lock = try_lock(shelf / _TAKING)
    except OSError as error:
        raise copy_error(error, shelf) from error
    if lock is None:
        raise ShelfError("shelf-recording", shelf=shelf)
    try:
        yield
    finally:
        lock.release()


def is_taking(shelf: Path) -> bool:
    """Whether somebody records onto this shelf now."""
    return is_held(shelf / _TAKING)


def interrupted(shelf: Path) -> list[Path]:
    """Take folders that something interrupted, unless somebody is recording now."""
    if is_taking(shelf):
        return []
    return [take for folder in record_folders(shelf) for take in folder.unfinished()]


def recover(shelf: Path, *, am_taking: bool = False) -> list[ShelfTake]:
    """Close takes that something interrupted: the file's head is mended and all that was written is kept. Nothing is touched
    while somebody records, other than the caller (``am_taking``)."""
    if not am_taking and is_taking(shelf):
        return []
    found: list[ShelfTake] = []
    for folder in record_folders(shelf):
        here: list[ShelfTake] = []
        for take_folder in folder.unfinished():
            take = close_interrupted(folder, take_folder)
            if take is not None:
                here.append(take)
        here += _brought_home(shelf, folder)
        if here:
            with contextlib.suppress(SidekeepError), open_index(shelf) as catalogue:
                catalogue.put(folder)
        found += here
    return found


def _brought_home(shelf: Path, folder: RecordFolder) -> list[ShelfTake]:
    """Takes of this record that had to be written elsewhere, and for which there is room by now."""
    found: list[ShelfTake] = []
    for path, side, goes_on in left_elsewhere(shelf, folder.record_id):
        with contextlib.suppress(AudioFileError, SidekeepError, OSError):
            if repair_take(path).frames == 0:
                continue
            home, news = bring_home(path, folder, side)
            if news.code == "brought-home":
                name = home.parent.relative_to(folder.path).as_posix()
                on = News(code="goes-on", severity="act", side=side, take=name)
                notes = [on, news] if goes_on else [news]
                found.append(close_recorded(folder, home, side=side, notes=notes))
    return found


def close_interrupted(
    folder: RecordFolder,
    take_folder: Path,
    *,
    stylus: str = "",
    input_name: str = "",
    notes: Sequence[News] = (),
) -> ShelfTake | None:
    """Close one take that nobody closed; None when it is not ours to judge, or there was nothing in it."""
    path = take_folder / "take.wav"
    side, _, number = take_folder.name.rpartition("-")
    forget_drafts(take_folder)
    forget_reserve(take_folder)
    try:
        frames = repair_take(path).frames
        if frames == 0:  # ended as it began: there is no sound to keep
            path.unlink()
            with contextlib.suppress(OSError):
                take_folder.rmdir()
            return None
        cut = News(
            code="unexpected-end", severity="act", side=side, take=f"takes/{side}-{number}", at_frame=frames
        )
        return close_recorded(
            folder, path, side=side, stylus=stylus, input_name=input_name, notes=[*notes, cut]
        )
    except (AudioFileError, SidekeepError, OSError):
        return None  # it stays where it is and stays listed
