"""``sidekeep adopt``: bring existing recordings onto the shelf."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.verbs.shelf import add_shelf_option
from sidekeep.units import clock_text


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("file", metavar="FILE", nargs="+", type=Path, help="recordings, in playing order")
    parser.add_argument(
        "--sleeve",
        type=Path,
        metavar="FILE",
        help="the track list of a record that is new to the shelf, or planned from it",
    )
    parser.add_argument(
        "--record", metavar="NAME", help="a record that is on the shelf already: folder or words"
    )
    parser.add_argument(
        "--sides", metavar="LETTERS", help="side(s) of every file, comma-separated: A,B or AB or A,A,B"
    )
    parser.add_argument(
        "--move", action="store_true", help="remove the originals once the copies are proved equal"
    )
    parser.add_argument("--stylus", default="", metavar="NAME", help="the stylus they were played with")
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_shelf_option(parser)


def run(options: argparse.Namespace) -> int:
    """Adopt and say where things are now."""
    from sidekeep.cli.terminal.output import print_json, progress_bar, say
    from sidekeep.cli.texts.findings import print_findings
    from sidekeep.service.shelf.adopting import adopt
    from sidekeep.service.shelf.place import default_shelf
    from sidekeep.service.shelf.records import sleeve_problems

    with progress_bar("adopting", quiet=options.json) as progress:
        adopted = adopt(
            options.file,
            shelf=options.shelf or default_shelf(),
            sleeve_path=options.sleeve,
            record_name=options.record,
            side_letters=options.sides.split(",") if options.sides else None,
            move=options.move,
            stylus=options.stylus,
            progress=progress,
        )
    problems = sleeve_problems(adopted.folder)
    if options.json:
        print_json(
            {
                "folder": str(adopted.folder.path),
                "takes": [take.facts() for take in adopted.takes],
                "problems": problems,
            }
        )
    else:
        for take in adopted.takes:
            print(f"side {take.side}, {clock_text(take.length_s)}: {adopted.folder.path / take.folder}")
        for take, found in zip(adopted.takes, adopted.findings, strict=True):
            print_findings(found, take.rate_hz)
        for problem in problems:
            say(f"Look: {problem}")
    told = any(finding.severity != "note" for found in adopted.findings for finding in found)
    return 1 if problems or told else 0
