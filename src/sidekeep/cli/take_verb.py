"""``sidekeep take``: record the sides of a record, unattended."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.inputs_verb import add_input_options
from sidekeep.cli.shelf_verb import add_shelf_option


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "record", help="a record on the shelf (folder or words), or a sleeve text to plan it from"
    )
    parser.add_argument("side", nargs="+", help="the sides to take, in order: A B")
    add_input_options(parser)
    parser.add_argument("--stylus", default="", metavar="NAME", help="the stylus, for its hours")
    parser.add_argument("--by-key", action="store_true", help="begin and end by key only, not by the needle")
    parser.add_argument("--json", action="store_true", help="news as one object per line, for machines")
    add_shelf_option(parser)


def run(options: argparse.Namespace) -> int:
    """Take, then tell what lies on the shelf now."""
    from sidekeep.cli.keys import terminal_keys
    from sidekeep.cli.take_text import Teller
    from sidekeep.service.inputs import pick_input
    from sidekeep.service.shelf import default_shelf
    from sidekeep.service.take_record import take_record

    sound_input = pick_input(options.input)
    teller = Teller(machine=options.json)
    for problem in sound_input.problems:
        teller.note(f"{sound_input.name}: {problem}")
    with teller, terminal_keys() as key:
        takes = take_record(
            options.shelf or default_shelf(),
            options.record if not Path(options.record).is_file() else None,
            sleeve_path=Path(options.record) if Path(options.record).is_file() else None,
            sides=tuple(side.upper() for side in options.side),
            sound_input=sound_input,
            rate_hz=options.rate,
            bits=options.bits,
            stylus=options.stylus,
            by_needle=not options.by_key,
            tell=teller.tell,
            key=key,
        )
    teller.summary(takes)
    return 1 if any(take.problems for take in takes) or len(takes) < len(options.side) else 0
