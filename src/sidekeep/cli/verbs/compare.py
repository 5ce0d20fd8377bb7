"""``sidekeep compare``: what has changed between two takes of one side."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.verbs.shelf import add_shelf_option


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "old", metavar="OLD", help="the older take: a recording, or a take on the shelf such as tallow/A-1"
    )
    parser.add_argument("new", metavar="NEW", help="the newer one; A-2 alone means the same record")
    parser.add_argument("--out", type=Path, metavar="DIR", help="write the report and its figures here")
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_shelf_option(parser)


def run(options: argparse.Namespace) -> int:
    """Compare and print the sentences."""
    from sidekeep.cli.terminal.output import print_json, progress_bar
    from sidekeep.cli.texts.findings import print_findings
    from sidekeep.service.comparing.compare import compare
    from sidekeep.service.shelf.place import default_shelf

    with progress_bar("listening to both", quiet=options.json) as progress:
        result = compare(
            options.shelf or default_shelf(), options.old, options.new, out_dir=options.out, progress=progress
        )
    if options.json:
        print_json(result.values)
    else:
        print_findings(result.findings, max(result.comparison.rate_hz, 1))
        if result.folder is not None:
            print(result.folder / "report.html")
    if result.not_kept is not None:
        raise result.not_kept
    return 1 if any(finding.severity != "note" for finding in result.findings) else 0
