"""``sidekeep open``: the local page."""

from __future__ import annotations

import argparse

from sidekeep.cli.shelf_verb import add_shelf_option

USUAL_PORT = 7833


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
    import sys
    import webbrowser

    from sidekeep.service.shelf import default_shelf
    from sidekeep.web.server import run_server

    def opened(address: str) -> None:
        print(address, flush=True)
        print("Ctrl+C here ends it.", flush=True)
        if not options.no_browser:
            webbrowser.open(address)

    run_server(
        options.shelf or default_shelf(),
        options.port,
        tell=lambda text: print(f"sidekeep: {text}", file=sys.stderr, flush=True),
        opened=opened,
    )
    return 0
