"""``sidekeep demo``: press an invented record and run the whole job on it."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.verbs.open import USUAL_PORT


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
        "--copies",
        default="lossless,portable",
        metavar="KINDS",
        help="kinds of copies, comma-separated, or all (default: lossless,portable)",
    )
    parser.add_argument(
        "--open", action="store_true", help="open the record in the local page when it is done"
    )


def run(options: argparse.Namespace) -> int:
    """Press, put on a shelf, copy, tell; then open it, or say how."""
    import os
    import shlex

    from sidekeep.cli.terminal.output import progress_bar
    from sidekeep.cli.texts.demo import print_summary
    from sidekeep.cli.verbs.open import serve
    from sidekeep.flow.progress import part
    from sidekeep.press.demo import press_demo
    from sidekeep.service.shelf.on_shelf import put_on_shelf
    from sidekeep.service.transfers.copies import copy_record
    from sidekeep.service.transfers.transferred import TransferOptions

    shelf = options.out / "shelf"
    with progress_bar("pressing the record") as progress:
        demo = press_demo(
            options.out / "recordings", lambda sides: progress(0.2 * sides, "pressing the record")
        )
        folder = put_on_shelf(
            demo.recordings,
            demo.letters,
            shelf=shelf,
            sleeve_path=demo.sleeve_path,
            picture_path=demo.picture_path,
            progress=part(progress, 0.4, 0.45),
        )
        result, report_path = copy_record(
            shelf,
            str(folder.path),
            options=TransferOptions(kinds=options.copies, replace=True),
            progress=part(progress, 0.45, 1.0),
        )
    print_summary(demo, result)
    print(f"Report: {report_path.resolve()}")
    if options.open:
        return serve(shelf, USUAL_PORT, at=f"record/{folder.record_id}/side/A", debug=options.debug)
    # Who came by ./run has no sidekeep on the path yet: it says what was typed.
    typed = os.environ.get("SIDEKEEP_TYPED") or "sidekeep"
    command = shlex.join([typed, "open", "--shelf", str(shelf)])
    print(f"See and hear it in the page: {command}   (or {shlex.join([typed, 'demo', '--open'])})")
    return 0
