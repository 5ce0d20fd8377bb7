"""One better take out of several of one side, as a new take beside them; the sources stay as they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from sidekeep.dsp.output.dither import Quantiser
from sidekeep.errors import ParameterError
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.flow.comparison.combine import CombineFacts, prepare
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.service.comparing.made_take import BETWEEN, Making
from sidekeep.service.comparing.takes import NamedTake, named_take
from sidekeep.shelf.shelf_take import ShelfTake

BITS = 24
"""A mean of several takes has more than any of them; 24 hold it, with dither."""


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
    making = Making.of(shelf, takes, out_path)
    for one, other in combinations(takes, 2):
        if shared := _playings(one) & _playings(other):
            combined = one if one.take is not None and one.take.how == "combined" else other
            raise ParameterError(
                "take-in-another", take=combined.name, playing=sorted(name for _, name in shared)[0]
            )
    form = takes[0].source.format
    making.check_room(form.length_frames, BITS)
    with making.holding(progress):
        combiner = prepare(takes[0].source, [take.source for take in takes[1:]], part(progress, 0.0, 0.5))
        with making.file(replace=replace) as target:
            quantiser = Quantiser(form.channels, bits=BITS, seed=0)
            writer = TakeWriter(
                target,
                rate_hz=form.rate_hz,
                channels=form.channels,
                bits=BITS,
                bext=making.head(BITS, "combined"),
                replace=True,
            )
            try:
                for block in combiner.blocks(progress=part(progress, 0.5, 0.97)):
                    writer.append(quantiser.process(block))
            finally:
                writer.close()
            made = making.put_on_shelf(target)
    progress(1.0, "combined")
    return Combined(sources=tuple(takes), facts=combiner.facts, take=made, path=out_path)


def _playings(take: NamedTake) -> set[tuple[Path, str]]:
    """The playings that a take on the shelf holds, by record and name: its own, or those it was combined from."""
    if take.record is None or take.take is None:
        return set()
    names = take.take.original_name.split(BETWEEN) if take.take.how == "combined" else [take.name]
    return {(take.record.path.resolve(), name) for name in names}
