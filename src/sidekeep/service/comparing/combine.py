"""One better take out of several of one side, as a new take beside them; the sources stay as they are."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import combinations
from pathlib import Path

from sidekeep.copies.kept.intact import reading_whole
from sidekeep.dsp.output.dither import Quantiser
from sidekeep.errors import ParameterError, ShelfError
from sidekeep.files.atomic import whole_file, work_folder
from sidekeep.files.guard import OutputGuard
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave.bext import Bext, history_line
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.flow.comparison.combine import CombineFacts, prepare
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.service.comparing.takes import NamedTake, named_take
from sidekeep.service.shelf.records import open_catalogue
from sidekeep.shelf.adopt import adopt_take
from sidekeep.shelf.shelf_take import ShelfTake

BITS = 24
_SPARE_BYTES = 4 << 20
"""For checksum, facts and index."""
_BETWEEN = " + "


@dataclass(frozen=True, kw_only=True)
class Combined:
    """What came of it: the new take on the shelf, or the file."""

    sources: tuple[NamedTake, ...]
    facts: CombineFacts
    take: ShelfTake | None = None
    path: Path | None = None


def combine(
    shelf: Path,
    names: Sequence[str],
    *,
    out_path: Path | None = None,
    replace: bool = False,
    progress: Progress = no_progress,
) -> Combined:
    """Combine takes; the first is the ruler. Takes of one record on the shelf give a new take of that side; files
    need ``out_path`` (a .wav)."""
    if len(names) < 2:
        raise ParameterError("takes-too-few")
    takes: list[NamedTake] = []
    for name in names:
        takes.append(named_take(shelf, name, takes[0] if takes else None))
    seen = [path.resolve() for take in takes for path in take.paths]
    if len(set(seen)) < len(seen):
        raise ParameterError("take-named-twice")
    for one, other in combinations(takes, 2):
        if shared := _playings(one) & _playings(other):
            combined = one if one.take is not None and one.take.how == "combined" else other
            raise ParameterError(
                "take-in-another", take=combined.name, playing=sorted(name for _, name in shared)[0]
            )
    home = takes[0].record
    if out_path is None and (
        home is None or any(take.record is None or take.record.path != home.path for take in takes)
    ):
        raise ParameterError("no-out")
    if out_path is not None:
        if out_path.suffix.lower() != ".wav":
            raise ParameterError("combined-not-wav", name=out_path.name)
        OutputGuard(seen, shelf=shelf).check(out_path)
    _check_room(takes[0], out_path)
    with ExitStack() as stack:
        for take in takes:
            stack.enter_context(reading_whole(take.source, take.paths))
        combiner = prepare(takes[0].source, [take.source for take in takes[1:]], part(progress, 0.0, 0.5))
        form = takes[0].source.format
        bext = Bext(
            description=f"combined from {', '.join(take.name for take in takes)}"[:256],
            originator="sidekeep",
            origination_date=datetime.now(UTC).strftime("%Y-%m-%d"),
            origination_time=datetime.now(UTC).strftime("%H:%M:%S"),
            coding_history=history_line(
                "PCM",
                rate_hz=form.rate_hz,
                bits=BITS,
                mode="stereo" if form.channels == 2 else "mono",
                text=f"combined by sidekeep from {len(takes)} takes",
            ),
        )
        with _target(out_path, home.path.parent if home else None, replace) as target:
            quantiser = Quantiser(form.channels, bits=BITS, seed=0)
            writer = TakeWriter(
                target, rate_hz=form.rate_hz, channels=form.channels, bits=BITS, bext=bext, replace=True
            )
            try:
                for block in combiner.blocks(progress=part(progress, 0.5, 0.97)):
                    writer.append(quantiser.process(block))
            finally:
                writer.close()
            made = None
            if out_path is None and home is not None:
                first = takes[0].take
                assert first is not None
                made = adopt_take(
                    home,
                    first.side,
                    [target],
                    open_source(target).format,
                    stylus=first.stylus,
                    how="combined",
                    original_name=_BETWEEN.join(one.name for one in takes),
                )
                with open_catalogue(shelf) as catalogue:
                    catalogue.put(home)
    progress(1.0, "combined")
    return Combined(sources=tuple(takes), facts=combiner.facts, take=made, path=out_path)


def _check_room(ruler: NamedTake, out_path: Path | None) -> None:
    """Said before the takes are laid on each other, which lasts minutes. A take for the shelf lies there twice for a moment:
    as it is made, and as it is checked in. A disk that cannot be asked is tried."""
    form = ruler.source.format
    needed = form.length_frames * form.channels * BITS // 8 + _SPARE_BYTES
    if out_path is not None:
        folder = out_path.parent
    else:
        assert ruler.record is not None
        folder, needed = ruler.record.path.parent, 2 * needed
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return
    if free < needed:
        raise ShelfError("no-room-to-combine", folder=folder, free_mb=free >> 20, needed_mb=-(-needed >> 20))


def _playings(take: NamedTake) -> set[tuple[Path, str]]:
    """The playings that a take on the shelf holds, by record and name: its own, or those it was combined from."""
    if take.record is None or take.take is None:
        return set()
    names = take.take.original_name.split(_BETWEEN) if take.take.how == "combined" else [take.name]
    return {(take.record.path.resolve(), name) for name in names}


@contextmanager
def _target(out_path: Path | None, passing: Path | None, replace: bool) -> Iterator[Path]:
    """The file to write: whole under its own name, or a passing one on the same disk."""
    if out_path is not None:
        with whole_file(out_path, replace=replace) as part_file:
            yield part_file
        return
    with work_folder(passing or Path(tempfile.gettempdir())) as folder:
        yield folder / "take.wav"
