"""``sidekeep demo``: press an invented record and run the whole job on it."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("demo-out"),
        metavar="DIR",
        help="where everything goes (default: demo-out)",
    )
    parser.add_argument(
        "--copies", default="lossless,portable", metavar="KINDS", help="kinds of copies to write"
    )


def run(options: argparse.Namespace) -> int:
    """Press, transfer, tell."""
    from sidekeep.cli.demo_text import print_summary
    from sidekeep.cli.terminal import progress_bar
    from sidekeep.flow.progress import part
    from sidekeep.press.demo import press_demo
    from sidekeep.service.kinds import pictures_from
    from sidekeep.service.report import transfer_with_report
    from sidekeep.service.transfer import TransferOptions

    with progress_bar("pressing the record") as progress:
        demo = press_demo(
            options.out / "recordings", lambda sides: progress(0.2 * sides, "pressing the record")
        )
        result, report_path = transfer_with_report(
            demo.recordings,
            out_dir=options.out,
            sleeve_path=demo.sleeve_path,
            options=TransferOptions(kinds=options.copies, replace=True),
            pictures=pictures_from(front=demo.picture_path),
            progress=part(progress, 0.4, 1.0),
        )
    print_summary(demo, result)
    print(f"Report: {report_path.resolve()}")
    return 0
