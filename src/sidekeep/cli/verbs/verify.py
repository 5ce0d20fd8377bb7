"""``sidekeep verify``: whether files still are what they were."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from sidekeep.cli.verbs.shelf import add_shelf_option
from sidekeep.units import count

if TYPE_CHECKING:
    from sidekeep.service.shelf.verify import Checked


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "place",
        metavar="PLACE",
        nargs="*",
        help="folders of copies, bags, records or shelves (default: the whole shelf)",
    )
    parser.add_argument(
        "--decode", action="store_true", help="also decode every FLAC and check it against its own MD5"
    )
    parser.add_argument("--json", action="store_true", help="print JSON")
    add_shelf_option(parser)


def run(options: argparse.Namespace) -> int:
    """Check; 1 when something is changed, missing or unreadable, or could not be checked."""
    from sidekeep.cli.terminal.output import print_json, progress_bar
    from sidekeep.service.shelf.place import default_shelf
    from sidekeep.service.shelf.verify import verify

    with progress_bar("verifying", quiet=options.json) as progress:
        checked = verify(
            options.shelf or default_shelf(), options.place, decode_flac=options.decode, progress=progress
        )
    is_right = all(each.result.ok and each.result.is_complete for each in checked)
    if options.json:
        places = [
            {
                "place": str(each.place),
                "ok": each.result.ok and each.result.is_complete,
                **vars(each.result),
            }
            for each in checked
        ]
        print_json({"schema": 1, "ok": is_right, "places": places})
    else:
        for each in checked:
            _tell(each)
        if not checked:
            print("there is nothing to verify yet")
    return 0 if is_right else 1


def _tell(each: Checked) -> None:
    from sidekeep.cli.terminal.output import say

    result = each.result
    say(f"{each.place}: {_verdict(each)}")
    for word in ("changed", "missing", "unreadable", "extra"):
        for path in getattr(result, word):
            print(f"  {word}: {path}")
    harmed = (*result.changed, *result.missing, *result.unreadable)
    if any(path.startswith("copies/") for path in harmed):
        say("  copies can be made again from the takes: 'sidekeep copies RECORD --replace'")
    for fault in result.faults:
        say(f"  {fault}")
    for sentence in result.unchecked:
        say(f"  not checked: {sentence}")


def _verdict(each: Checked) -> str:
    result = each.result
    if result.ok and result.is_complete and not result.checked_files:
        return "nothing to check yet"
    verdict = "all right" if result.ok else "NOT all right"
    if result.ok and not result.is_complete:
        verdict = "what could be checked is right"
    return f"{verdict}, {count(result.checked_files, 'file')}, {result.checked_bytes / 1e6:.0f} MB"
