"""Pieces of one side put together, as a new take beside them: the needle was lifted, the disk was full, the machine slept.

The pieces stay where they are, in the record's bin too; the new take is used from then on, and put into the bin it gives way
to what was used before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from sidekeep.errors import ParameterError
from sidekeep.files.samples import to_whole
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.flow.comparison.seam import Seam, find_seam, joined_blocks, order_by_sound, seam_places
from sidekeep.flow.ports import AudioSource
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.model.edits import ChooseTake
from sidekeep.model.news import News
from sidekeep.service.choices import edits
from sidekeep.service.comparing.made_take import Making
from sidekeep.service.comparing.takes import NamedTake, named_take
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake

_CARRIED = ("loss", "steady-loss", "overflow", "stall", "clipped", "lowered-again")
"""News that tell of a place in a piece, not of its ends."""


@dataclass(frozen=True, kw_only=True)
class PutTogether:
    """What came of it: the new take on the shelf, or the file; ``places`` are the frames of the seams in it."""

    sources: tuple[NamedTake, ...]
    seams: tuple[Seam, ...]
    places: tuple[int, ...]
    take: ShelfTake | None = None
    path: Path | None = None


def put_together(
    shelf: Path,
    names: Sequence[str],
    *,
    out_path: Path | None = None,
    replace: bool = False,
    progress: Progress = no_progress,
) -> PutTogether:
    """Put pieces of one side together, in the order they were played. Takes of one record, in its bin or not, give a new take of
    that side; files need ``out_path`` (a .wav)."""
    if len(names) < 2:
        raise ParameterError("takes-too-few")
    takes: list[NamedTake] = []
    for name in names:
        takes.append(named_take(shelf, name, takes[0] if takes else None, also_binned=True))
    making = Making.of(shelf, takes, out_path)
    if making.home is not None and len({take.take.side for take in takes if take.take is not None}) > 1:
        raise ParameterError("combine-of-one-side")
    form = takes[0].source.format
    sources = [take.source for take in takes]
    is_float = any(source.format.is_float for source in sources)
    bits = 32 if is_float else max(16, *(source.format.bits for source in sources))
    making.check_room(sum(source.format.length_frames for source in sources), bits)
    with making.holding(progress):
        seams = _seams(takes, progress)
        places = seam_places(seams)
        with making.file(replace=replace) as target:
            writer = TakeWriter(
                target,
                rate_hz=form.rate_hz,
                channels=form.channels,
                bits=bits,
                is_float=is_float,
                bext=making.head(bits, "joined"),
                replace=True,
            )
            _write_joined(writer, sources, seams, progress, is_float=is_float)
            made = making.put_on_shelf(target, _notes(takes, seams, places))
            if making.record is not None and made is not None:
                _use_from_now_on(making.record, made)
    progress(1.0, "put together")
    return PutTogether(
        sources=tuple(takes), seams=tuple(seams), places=tuple(places), take=made, path=out_path
    )


def _write_joined(
    writer: TakeWriter,
    sources: Sequence[AudioSource],
    seams: Sequence[Seam],
    progress: Progress,
    *,
    is_float: bool,
) -> None:
    frames = sum(source.format.length_frames for source in sources)
    try:
        for block in joined_blocks(sources, seams):
            if is_float:
                writer.append_bytes(np.ascontiguousarray(block, "<f4").tobytes())
            else:
                writer.append(to_whole(block, writer.bits)[0])
            progress(0.4 + 0.5 * min(1.0, writer.frames / frames), "putting the pieces together")
    finally:
        writer.close()


def _use_from_now_on(home: RecordFolder, made: ShelfTake) -> None:
    """Choose the take for its side, where another is in use."""
    in_use = {take.folder for take in home.chosen_takes()}
    if made.side in home.choose_takes().owners and made.folder not in in_use:
        edits.apply(home, ChooseTake(side=made.side, number=made.number))


def _seams(takes: Sequence[NamedTake], progress: Progress) -> list[Seam]:
    """Where each piece meets the next. Pieces in the wrong order are refused; the right one is named where the sound tells it."""
    sources = [take.source for take in takes]
    pairs = list(pairwise(sources))
    try:
        return [
            find_seam(*pair, part(progress, 0.4 * at / len(pairs), 0.4 * (at + 1) / len(pairs)))
            for at, pair in enumerate(pairs)
        ]
    except ParameterError as error:
        order = order_by_sound(sources) if error.code == "pieces-out-of-order" else ()
        if not order or order == tuple(range(len(takes))):
            raise
        raise ParameterError(
            "pieces-in-another-order", order=[takes[index].name for index in order]
        ) from error


def _notes(takes: Sequence[NamedTake], seams: Sequence[Seam], places: Sequence[int]) -> list[News]:
    """What was told of the pieces, where it lies now, and where they meet."""
    notes: list[News] = []
    starts = [0, *(seam.after_frame for seam in seams)]
    stops = [*(seam.before_frame for seam in seams), takes[-1].source.format.length_frames]
    for take, start, stop, at in zip(takes, starts, stops, [0, *places]):
        for note in take.take.notes if take.take is not None else ():
            if note.code in _CARRIED and start <= note.at_frame < stop:
                notes.append(replace(note, at_frame=note.at_frame - start + at, take=""))
    for take, after, seam, place in zip(takes, takes[1:], seams, places):
        notes.append(
            News(
                code="pieces-meet",
                severity="act" if seam.how == "apart" else "look",
                at_frame=place,
                facts={"how": seam.how, "first": take.name, "second": after.name},
            )
        )
    return notes
