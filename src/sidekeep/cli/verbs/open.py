"""``sidekeep open``: the local page."""

from __future__ import annotations

import argparse
from pathlib import Path

from sidekeep.cli.verbs.shelf import add_shelf_option

USUAL_PORT = 7833
"""Any that is free on most machines (chosen here); where it is not, another is taken and said."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    add_shelf_option(parser)
    parser.add_argument(
        "--port",
        type=int,
        default=USUAL_PORT,
        metavar="N",
        help=f"the port on this machine (default: {USUAL_PORT})",
    )
    parser.add_argument("--no-browser", action="store_true", help="print the address only")


def run(options: argparse.Namespace) -> int:
    """Serve until Ctrl+C."""
    from sidekeep.service.shelf.place import default_shelf

    return serve(
        options.shelf or default_shelf(), options.port, in_browser=not options.no_browser, debug=options.debug
    )


def serve(shelf: Path, port: int, *, at: str = "", in_browser: bool = True, debug: bool = False) -> int:
    """Serve a shelf until Ctrl+C. ``at`` is the place that is opened; ``debug`` shows the trace of what went wrong inside."""
    import sys
    import webbrowser

    from sidekeep.web.server import run_server

    def opened(address: str) -> None:
        print(address + at, flush=True)
        print("Ctrl+C here ends it.", flush=True)
        if in_browser:
            webbrowser.open(address + at)

    run_server(
        shelf,
        port,
        tell=lambda text: print(f"sidekeep: {text}", file=sys.stderr, flush=True),
        opened=opened,
        debug=debug,
    )
    return 0
