"""``sidekeep combine``: one take out of several of one side, better than any or put together of pieces."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sidekeep.cli.verbs.shelf import add_shelf_option
from sidekeep.units import count

if TYPE_CHECKING:
    from sidekeep.service.comparing.combine import Combined
    from sidekeep.service.comparing.piecing import PutTogether


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "take",
        metavar="TAKE",
        nargs="+",
        help="takes of one side, the best first: recordings, or takes on the shelf such as tallow/A-1 A-2",
    )
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="write a WAV here instead of a new take on the shelf"
    )
    parser.add_argument(
        "--pieces",
        action="store_true",
        help="they are pieces of one side, in the order they were played: put one behind the other",
    )
    parser.add_argument("--replace", action="store_true", help="overwrite FILE if it is there")
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_shelf_option(parser)


def run(options: argparse.Namespace) -> int:
    """Combine, then say what was made of what."""
    from sidekeep.cli.terminal.output import print_json, progress_bar, say
    from sidekeep.service.comparing.combine import combine
    from sidekeep.service.shelf.place import default_shelf

    if options.pieces:
        return _pieces(options)
    with progress_bar("combining", quiet=options.json) as progress:
        made = combine(
            options.shelf or default_shelf(),
            options.take,
            out_path=options.out,
            replace=options.replace,
            progress=progress,
        )
    if options.json:
        print_json(
            {
                "schema": 1,
                "sources": [source.name for source in made.sources],
                "made": str(_place(made)),
                "weights": [1.0, *(round(weight, 3) for weight in made.facts.weights)],
                "replaced_frames": made.facts.replaced_frames,
            }
        )
    else:
        names = ", ".join(source.name for source in made.sources)
        say(
            f"combined {names}: {count(made.facts.replaced_frames, 'damaged frame')} of the first came from the others"
        )
        print(_place(made))
    return 0


def _place(made: Combined | PutTogether) -> Path | None:
    """The file that was made, or the folder of the new take."""
    record = made.sources[0].record
    return made.path or (record.path / made.take.folder if made.take and record else None)


_HOW = {
    "exact": "at the same samples",
    "music": "in music that both hold",
    "apart": "with what was played between missing",
}


def _pieces(options: argparse.Namespace) -> int:
    from sidekeep.cli.terminal.output import print_json, progress_bar, say
    from sidekeep.service.comparing.piecing import put_together
    from sidekeep.service.shelf.place import default_shelf
    from sidekeep.units import clock_text, frames_to_seconds

    with progress_bar("putting the pieces together", quiet=options.json) as progress:
        made = put_together(
            options.shelf or default_shelf(),
            options.take,
            out_path=options.out,
            replace=options.replace,
            progress=progress,
        )
    rate_hz = made.sources[0].source.format.rate_hz
    seams = [(frames_to_seconds(at, rate_hz), seam.how) for at, seam in zip(made.places, made.seams)]
    if options.json:
        print_json(
            {
                "schema": 1,
                "sources": [source.name for source in made.sources],
                "made": str(_place(made)),
                "seams": [{"at_s": at_s, "how": how} for at_s, how in seams],
            }
        )
    else:
        for first, second, (at_s, how) in zip(made.sources, made.sources[1:], seams):
            say(f"{first.name} and {second.name} meet at {clock_text(at_s, 1)}, {_HOW[how]}")
        print(_place(made))
    return 1 if any(how == "apart" for _, how in seams) else 0
