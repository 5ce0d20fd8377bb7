"""``sidekeep survey``: measure a take and find what is on it."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.terminal.collector import collector_at_rest


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "file", metavar="FILE", nargs="+", type=Path, help="a recording, or the pieces of one side in order"
    )
    parser.add_argument("--sleeve", type=Path, metavar="FILE", help="the track list as printed on the sleeve")
    parser.add_argument(
        "--sides", metavar="LETTERS", help="side(s) that are on this recording, in order: A, or A,B or AB"
    )
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(options: argparse.Namespace) -> int:
    """Survey and print."""
    with collector_at_rest():
        return _run(options)


def _run(options: argparse.Namespace) -> int:
    from sidekeep.cli.terminal.output import print_json, progress_bar
    from sidekeep.cli.texts.survey import print_survey
    from sidekeep.flow.passes.contract import survey_object
    from sidekeep.service.survey import survey_file

    with progress_bar("listening", quiet=options.json) as progress:
        result = survey_file(
            options.file, sleeve_path=options.sleeve, side_letters=options.sides, progress=progress
        )
    if options.json:
        print_json(survey_object(result.survey))
    else:
        print_survey(result)
    return 1 if any(finding.severity != "note" for finding in result.survey.findings) else 0
