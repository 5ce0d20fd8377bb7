"""Room on the disk, counted in minutes of recording; where a take goes when its place cannot be written to."""

from __future__ import annotations

import os
import re
import shutil
from contextlib import suppress
from pathlib import Path
from typing import Any

from sidekeep.devices.recorder import RecorderSettings
from sidekeep.devices.take_keeper import forget_reserve
from sidekeep.files.atomic import flush_folder, whole_file, write_json
from sidekeep.files.bounded import kept_json
from sidekeep.files.checksum import file_sha256
from sidekeep.model.news import News
from sidekeep.service.recording.side_fit import PrintedSide
from sidekeep.shelf.index.catalogue import record_folders
from sidekeep.shelf.record_folder import RecordFolder

RESERVE_BYTES = 96 << 20
"""For closing the take, its checksum file, the index (the capture itself stops with 64 MB left)."""
USUAL_SIDE_S = 28.0 * 60.0
"""Wanted free where nothing is printed: longer than nearly every side (common practice, no source)."""
_BELONGS = "belongs.json"


class Room:
    """What is free for one record's takes."""

    def __init__(self, record_path: Path, settings: RecorderSettings) -> None:
        self._record = record_path
        self._shelf = record_path.parent
        self._bytes_per_min = settings.rate_hz * settings.channels * settings.bits / 8 * 60.0
        self._id = ""
        with suppress(Exception):
            self._id = RecordFolder(record_path).record_id

    def free_min(self, place: Path | None = None) -> float:
        """Minutes that can be recorded, the reserve left alone; 0 for a place that cannot be asked."""
        try:
            free = shutil.disk_usage(place or self._record).free
        except OSError:
            return 0.0
        return max(0.0, free - RESERVE_BYTES) / self._bytes_per_min

    def needed_min(self, printed: PrintedSide | None) -> float:
        """For a side: its printed time and some, or a usual one."""
        return ((1.15 * printed.expected_s + 60.0) if printed is not None else USUAL_SIDE_S) / 60.0

    def check(self, printed: PrintedSide | None) -> News | None:
        """``no-room`` when the side does not fit on the disk."""
        free, needed = self.free_min(), self.needed_min(printed)
        if free >= needed:
            return None
        facts = {"free_min": round(free, 1), "needed_min": round(needed, 1)}
        return News(code="no-room", severity="act", facts=facts)

    def news(self, printed: PrintedSide | None) -> list[News]:
        """The same, for a row of news."""
        news = self.check(printed)
        return [news] if news is not None else []

    def places(self) -> list[Path]:
        """Folders a take may be written to when its own cannot, best first."""
        return rescue_places(self._shelf)

    def note_home(self, take_folder: Path, side: str, *, goes_on: bool) -> None:
        """Keep beside a take that is written elsewhere where it belongs, for the next start if this one cannot bring it home;
        ``goes_on``: its side was begun in another take."""
        facts = {"record": self._id, "side": side, "goes_on": goes_on}
        with suppress(OSError):
            write_json(take_folder / _BELONGS, facts, replace=True)

    def new_take_folder(self, folder: RecordFolder, side: str) -> tuple[RecordFolder, Path]:
        """A folder for a take: in the record's, wherever somebody moved that to; if none takes it, somewhere safe."""
        folder = self.here(folder)
        try:
            if not folder.path.is_dir():
                raise FileNotFoundError(folder.path)
            return folder, folder.new_take_folder(side)
        except OSError:
            return folder, self.rescue_folder(side)

    def rescue_folder(self, side: str) -> Path:
        """A new folder in the first place that can be written to. Raises OSError when there is none."""
        last: OSError = OSError("no place to write to")
        # A folder that was renamed away must not come back as an empty one of its old name.
        own = [self._record / "takes"] if self._record.is_dir() else []
        for place in [*own, *self.places()]:
            for number in range(1, 1000):
                folder = place / f"{side}-{number}"
                try:
                    folder.mkdir(parents=True)
                    return folder
                except FileExistsError:
                    continue
                except OSError as error:
                    last = error
                    break
        raise last

    def where_now(self, folder: RecordFolder, path: Path, said: str) -> tuple[RecordFolder, Path]:
        """The record's folder and a take in it after somebody renamed things; ``said``: where the capture closed the take."""
        now, found = Path(said or path), self.here(folder)
        if not now.exists() and path.is_relative_to(folder.path):
            now = found.path / path.relative_to(folder.path)
        return found, now

    def here(self, folder: RecordFolder) -> RecordFolder:
        """The record's folder, wherever somebody moved it to; the one given where it is found nowhere."""
        return folder if folder.path.is_dir() else self.find_again() or folder

    def find_again(self) -> RecordFolder | None:
        """The record's folder after somebody renamed it: found by its id."""
        for folder in record_folders(self._shelf):
            with suppress(Exception):
                if folder.record_id == self._id:
                    self._record = folder.path
                    return folder
        return None


def not_written(folder: RecordFolder, side: str, error: OSError) -> News:
    """No place takes the side."""
    facts = {"place": str(folder.path), "reason": " ".join(str(error).split())}
    return News(code="not-written", severity="act", side=side, facts=facts)


def rescue_places(shelf: Path) -> list[Path]:
    """Folders where takes of a shelf may lie that could not be written to it."""
    import tempfile

    home = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share") / "sidekeep" / "rescued"
    return [shelf / "rescued", home, Path(tempfile.gettempdir()) / "sidekeep-rescued"]


def left_elsewhere(shelf: Path, record_id: str) -> list[tuple[Path, str, bool]]:
    """Every take of a record that still lies where it had to be written: its sound, its side, and whether that was begun in
    another take."""
    found, notes = [], []
    for place in rescue_places(shelf):
        with suppress(OSError):  # another user's, or gone while we look
            notes += sorted(place.glob(f"*/{_BELONGS}"))
    for note in notes:
        facts: dict[str, Any] = kept_json(note, dict[str, Any]) or {}
        side, path = str(facts.get("side", "")), note.with_name("take.wav")
        if facts.get("record") == record_id and path.is_file() and re.fullmatch("[A-Z]+", side):
            found.append((path, side, facts.get("goes_on") is True))
    return found


def bring_home(path: Path, folder: RecordFolder, side: str) -> tuple[Path, News]:
    """Bring a take that had to be written elsewhere into the record's folder, if that works now."""
    target: Path | None = None
    try:
        if (
            not folder.path.is_dir()
        ):  # its disk is away, and what lies where it was is hidden when that comes back
            raise FileNotFoundError(folder.path)
        target = folder.new_take_folder(side) / "take.wav"
        if not _moved(path, target):
            with whole_file(target) as part:
                shutil.copyfile(path, part)
                if file_sha256(part) != file_sha256(path):
                    raise OSError("the copy reads back differently")
    except Exception:
        if target is not None:
            with suppress(OSError):
                target.parent.rmdir()
        return path, News(code="left-at", severity="act", side=side, facts={"place": str(path)})
    forget_reserve(path.parent)
    with suppress(OSError):
        path.unlink(missing_ok=True)
        path.with_name(_BELONGS).unlink(missing_ok=True)
        path.parent.rmdir()
    return target, News(code="brought-home", severity="look", side=side, facts={"place": str(target.parent)})


def _moved(path: Path, target: Path) -> bool:
    """Whether it lies on the same disk, so that a new name brings it there: nothing is copied then, and no second room needed."""
    try:
        os.rename(path, target)
    except OSError:
        return False
    with suppress(OSError):
        flush_folder(target.parent)
    return True
