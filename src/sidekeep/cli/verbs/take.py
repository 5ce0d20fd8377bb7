"""``sidekeep take``: record the sides of a record, unattended."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.verbs.inputs import add_input_options
from sidekeep.cli.verbs.shelf import add_shelf_option


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "record",
        metavar="RECORD",
        help="a record on the shelf (folder or words), or a sleeve text to plan it from",
    )
    parser.add_argument("side", metavar="SIDE", nargs="+", help="the sides to take, in order: A B")
    add_input_options(parser)
    parser.add_argument("--stylus", default="", metavar="NAME", help="the stylus in use, to count its hours")
    parser.add_argument("--by-key", action="store_true", help="begin and end by key only, not by the needle")
    parser.add_argument("--any-side", action="store_true", help="take sides that are not on the sleeve")
    parser.add_argument(
        "--copies",
        metavar="KINDS",
        help="write copies as they are ready, such as lossless,portable ('sidekeep copies --copies list' lists them)",
    )
    parser.add_argument(
        "--no-survey",
        action="store_true",
        help="make the survey later, when it is needed, not while the side plays",
    )
    parser.add_argument("--json", action="store_true", help="print news as JSON, one object per line")
    add_shelf_option(parser)


def run(options: argparse.Namespace) -> int:
    """Take, then tell what lies on the shelf now."""
    from contextlib import nullcontext

    from sidekeep.cli.session.beside import Beside
    from sidekeep.cli.session.run import take_at_terminal
    from sidekeep.cli.texts.take import Teller, is_terminal
    from sidekeep.errors import ParameterError
    from sidekeep.service.choices.kinds import checked_kinds
    from sidekeep.service.inputs import pick_input
    from sidekeep.service.recording.take_record import open_session
    from sidekeep.service.shelf.place import default_shelf

    if options.by_key and not is_terminal():
        raise ParameterError("no-terminal-for-keys")
    shelf = options.shelf or default_shelf()
    kinds = checked_kinds(options.copies) if options.copies else ()
    sound_input = pick_input(options.input)
    teller = Teller(machine=options.json)
    is_file = Path(options.record).is_file()
    is_followed = bool(kinds) or not options.no_survey
    beside = Beside(shelf, kinds=kinds, machine=options.json) if is_followed else None
    with beside or nullcontext():
        with open_session(
            shelf,
            None if is_file else options.record,
            sleeve_path=Path(options.record) if is_file else None,
            sides=tuple(side.upper() for side in options.side),
            sound_input=sound_input,
            rate_hz=options.rate,
            bits=options.bits,
            stylus=options.stylus,
            by_needle=not options.by_key,
            any_side=options.any_side,
            tell=teller.tell,
            follower=beside.follower if beside is not None else None,
        ) as session:
            takes = take_at_terminal(session, teller, beside)
        teller.summary(takes)
        if beside is not None and kinds and takes:
            beside.write_copies(session.folder.path, teller.note)
    heavy = any(take.notes for take in takes) or any(news.severity == "act" for news in teller.news)
    return 1 if heavy or len({take.side for take in takes}) < len(set(options.side)) else 0
