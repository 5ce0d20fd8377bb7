"""A take that is made of others: room for it, its file until it is whole, and its place on the shelf."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from sidekeep.errors import ParameterError, ShelfError
from sidekeep.files.atomic import whole_file, work_folder
from sidekeep.files.guard import OutputGuard
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave.bext import Bext, history_line
from sidekeep.flow.progress import Progress
from sidekeep.model.audio import AudioFormat
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


def home_of(takes: Sequence[NamedTake], out_path: Path | None, shelf: Path) -> RecordFolder | None:
    """The record that all takes are of, None where there is none; raises ``ParameterError`` for a file that cannot be written,
    and where there is neither file nor record."""
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
    return home


def check_room(frames: int, form: AudioFormat, bits: int, folder: Path, *, is_twice: bool) -> None:
    """Said before the work, which lasts minutes. A take for the shelf lies there twice for a moment: as it is made, and as it is
    checked in. A disk that cannot be asked is tried."""
    needed = frames * form.channels * bits // 8 + _SPARE_BYTES
    needed *= 2 if is_twice else 1
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return
    if free < needed:
        raise ShelfError("no-room-to-combine", folder=folder, free_mb=free >> 20, needed_mb=-(-needed >> 20))


def made_of(names: Sequence[str], form: AudioFormat, bits: int, how: str) -> Bext:
    """What the head of the file says of it; ``how``: ``combined``, ``joined``."""
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


def held_for_making(home: RecordFolder, progress: Progress) -> AbstractContextManager[None]:
    """The record, for as long as a new take of it is made: two at once would give it one number."""
    return at_work(home.path, "combining takes", wait_s=None, waiting=lambda text: progress(0.0, text))


@contextmanager
def file_to_write(out_path: Path | None, passing: Path | None, replace: bool) -> Iterator[Path]:
    """The file to write: whole under its own name, or a passing one on the same disk."""
    if out_path is not None:
        with whole_file(out_path, replace=replace) as part_file:
            yield part_file
        return
    with work_folder(passing or Path(tempfile.gettempdir())) as folder:
        yield folder / "take.wav"


def put_on_shelf(
    shelf: Path, home: RecordFolder, takes: Sequence[NamedTake], path: Path, notes: Sequence[News] = ()
) -> ShelfTake:
    """The file becomes the next take of its side, closed, with what it was made of."""
    first = takes[0].take
    assert first is not None
    made = adopt_take(
        home,
        first.side,
        [path],
        open_source(path).format,
        stylus=first.stylus,
        how="combined",
        original_name=BETWEEN.join(one.name for one in takes),
        notes=notes,
    )
    with open_catalogue(shelf) as catalogue:
        catalogue.put(home)
    return made
