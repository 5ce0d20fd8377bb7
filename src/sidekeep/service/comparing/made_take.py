"""A take that is made of others: room for it, its file until it is whole, and its place on the shelf."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from sidekeep.copies.kept.intact import reading_whole
from sidekeep.errors import ParameterError, ShelfError
from sidekeep.files.atomic import whole_file, work_folder
from sidekeep.files.guard import OutputGuard
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave.bext import Bext, history_line
from sidekeep.flow.progress import Progress
from sidekeep.model.news import News
from sidekeep.service.comparing.takes import NamedTake
from sidekeep.service.shelf.records import open_catalogue
from sidekeep.shelf.adopt import adopt_take
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from sidekeep.shelf.shelf_take import ShelfTake

BETWEEN = " + "
"""Between the names of the takes it was made of, in ``original_name``."""
_SPARE_BYTES = 4 << 20
"""For checksum, facts and index."""


@dataclass(frozen=True, kw_only=True)
class Making:
    """A take that is made of others, in order, and where it goes: to ``out_path``, or to their record as the next take of its
    side. ``home`` is the record that all of them are of, if there is one."""

    shelf: Path
    takes: tuple[NamedTake, ...]
    home: RecordFolder | None
    out_path: Path | None

    @classmethod
    def of(cls, shelf: Path, takes: Sequence[NamedTake], out_path: Path | None) -> Making:
        """Raises ``ParameterError`` for a file that cannot be written, and where there is neither file nor record."""
        paths = [path.resolve() for take in takes for path in take.paths]
        if len(set(paths)) < len(paths):
            raise ParameterError("take-named-twice")
        home = takes[0].record
        if home is None or any(take.record is None or take.record.path != home.path for take in takes):
            home = None
        if out_path is None and home is None:
            raise ParameterError("no-out")
        if out_path is not None:
            if out_path.suffix.lower() != ".wav":
                raise ParameterError("combined-not-wav", name=out_path.name)
            OutputGuard(paths, shelf=shelf).check(out_path)
        return cls(shelf=shelf, takes=tuple(takes), home=home, out_path=out_path)

    @property
    def record(self) -> RecordFolder | None:
        """The record it becomes a take of; None where it goes to a file."""
        return self.home if self.out_path is None else None

    @property
    def _folder(self) -> Path:
        """On the disk that it is written to."""
        return self.record.path.parent if self.record is not None else (self.out_path or self.shelf).parent

    def check_room(self, frames: int, bits: int) -> None:
        """Said before the work, which lasts minutes. A take for the shelf lies there twice for a moment: as it is made, and as
        it is checked in. A disk that cannot be asked is tried."""
        needed = frames * self.takes[0].source.format.channels * bits // 8 + _SPARE_BYTES
        needed *= 2 if self.record is not None else 1
        try:
            free = shutil.disk_usage(self._folder).free
        except OSError:
            return
        if free < needed:
            raise ShelfError(
                "no-room-to-combine", folder=self._folder, free_mb=free >> 20, needed_mb=-(-needed >> 20)
            )

    @contextmanager
    def holding(self, progress: Progress) -> Iterator[None]:
        """All that is read as it is, and the record, for as long as a new take of it is made: two at once would give it one
        number."""
        with ExitStack() as held:
            if self.record is not None:
                held.enter_context(
                    at_work(
                        self.record.path,
                        "combining takes",
                        wait_s=None,
                        waiting=lambda text: progress(0.0, text),
                    )
                )
            for take in self.takes:
                held.enter_context(reading_whole(take.source, take.paths))
            yield

    @contextmanager
    def file(self, *, replace: bool) -> Iterator[Path]:
        """The file to write: whole under its own name, or a passing one on the disk of the record."""
        if self.out_path is not None:
            with whole_file(self.out_path, replace=replace) as part_file:
                yield part_file
            return
        with work_folder(self._folder) as folder:
            yield folder / "take.wav"

    def head(self, bits: int, how: Literal["combined", "joined"]) -> Bext:
        """What the head of the file says of it."""
        form, names = self.takes[0].source.format, [take.name for take in self.takes]
        now = datetime.now(UTC)
        return Bext(
            description=f"{how} from {', '.join(names)}"[:256],
            originator="sidekeep",
            origination_date=now.strftime("%Y-%m-%d"),
            origination_time=now.strftime("%H:%M:%S"),
            coding_history=history_line(
                "PCM",
                rate_hz=form.rate_hz,
                bits=bits,
                mode="stereo" if form.channels == 2 else "mono",
                text=f"{how} by sidekeep from {len(names)} takes",
            ),
        )

    def put_on_shelf(self, path: Path, notes: Sequence[News] = ()) -> ShelfTake | None:
        """The file becomes the next take of its side, closed, with what it was made of; None where it stays a file."""
        first = self.takes[0].take
        if self.record is None or first is None:
            return None
        made = adopt_take(
            self.record,
            first.side,
            [path],
            open_source(path).format,
            stylus=first.stylus,
            how="combined",
            original_name=BETWEEN.join(one.name for one in self.takes),
            notes=notes,
        )
        with open_catalogue(self.shelf) as catalogue:
            catalogue.put(self.record)
        return made
