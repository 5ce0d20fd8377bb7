"""``sidekeep shelf``: what is on the shelf and how far it has come."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from sidekeep.cli.terminal.parser import add_described
from sidekeep.cli.verbs import shelf_again, shelf_choices
from sidekeep.units import clock_text, count

STATES = ("planned", "partly taken", "taken", "cut", "copied", "verified", "gone")
_SHELF_HELP = "the shelf's folder (default: $SIDEKEEP_SHELF, else ~/sidekeep)"


def add_shelf_option(parser: argparse.ArgumentParser) -> None:
    """Where the shelf is, for every verb that needs it."""
    parser.add_argument(
        "--shelf",
        type=Path,
        metavar="DIR",
        help=_SHELF_HELP,
    )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    add_shelf_option(parser)
    parser.add_argument("--json", action="store_true", help="print JSON")
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    listing = add_described(
        actions, "list", "list all records, or those that hold all the words (the default)"
    )
    listing.add_argument(
        "words", metavar="WORDS", nargs="*", help="beginnings of words from artist, titles, label, notes"
    )
    listing.add_argument("--state", choices=STATES, default="", help="only records in this state")
    plan = add_described(actions, "plan", "put a record on the shelf before any side of it is taken")
    plan.add_argument("sleeve", metavar="SLEEVE", type=Path, help="its sleeve text")
    plan.add_argument(
        "--another", action="store_true", help="plan it even if the shelf has a record of that name and year"
    )
    add_described(actions, "rebuild", "make the index again from the record folders")
    add_described(actions, "repair", "close takes that were interrupted, keeping all that was recorded")
    shelf_again.add_again(actions)
    stylus = add_described(
        actions, "styluses", "show the hours of every stylus; with a name: add or change one"
    )
    stylus.add_argument("name", metavar="NAME", nargs="?", help="the stylus")
    stylus.add_argument("--hours-before", type=float, default=0.0, metavar="H", help="hours played before")
    stylus.add_argument(
        "--remind-at",
        type=float,
        default=400.0,
        metavar="H",
        help="hours after which the tip should be looked at",
    )
    shelf_choices.add_actions(actions)
    for action in actions.choices.values():
        # Said before the action or after it; what is not said here leaves what was said before.
        action.add_argument("--shelf", type=Path, metavar="DIR", default=argparse.SUPPRESS, help=_SHELF_HELP)
        action.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print JSON")
        action.add_argument("--debug", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)


def run(options: argparse.Namespace) -> int:
    """List, plan, rebuild, tell and change what was decided, or keep the stylus log."""
    from sidekeep.service.shelf.place import default_shelf

    shelf = options.shelf or default_shelf()
    if options.action in shelf_choices.ACTIONS:
        return shelf_choices.run(options, shelf)
    match options.action:
        case "rebuild":
            return _rebuild(options, shelf)
        case "plan":
            return _plan(options, shelf)
        case "styluses":
            return _styluses(options, shelf)
        case "again":
            return shelf_again.run(options, shelf)
        case "repair":
            return _repair(options, shelf)
        case _:
            return _list_records(options, shelf)


def _rebuild(options: argparse.Namespace, shelf: Path) -> int:
    from sidekeep.cli.terminal.output import print_json
    from sidekeep.service.shelf import records as service

    found = service.rebuild(shelf)
    print_json({"records": found}) if options.json else print(f"{count(found, 'record')} found on {shelf}")
    return 0


def _plan(options: argparse.Namespace, shelf: Path) -> int:
    from sidekeep.cli.terminal.output import print_json, say
    from sidekeep.service.shelf import records as service

    before = None if options.another else service.planned_before(shelf, options.sleeve)
    folder = before or service.plan_record(shelf, options.sleeve)
    problems = service.sleeve_problems(folder)
    if options.json:
        print_json({"folder": str(folder.path), "problems": problems})
    else:
        print(f"{'on the shelf already' if before else 'planned'}: {folder.path}")
        if before:
            say("nothing was planned; for a second copy of the record: --another")
        for problem in problems:
            say(f"Look: {problem}")
    return 1 if problems else 0


def _list_records(options: argparse.Namespace, shelf: Path) -> int:
    from sidekeep.cli.terminal.output import print_json, say
    from sidekeep.service.recording.take_close import interrupted
    from sidekeep.service.shelf import records as service

    words, state = " ".join(getattr(options, "words", [])), getattr(options, "state", "")
    entries = service.list_records(shelf, words, state=state)
    if options.json:
        print_json({"records": [vars(entry) for entry in entries]})
        return 0
    for line in shelf_again.due_lines(shelf):
        say(line)
    names = [_name(entry) for entry in entries]
    for entry, name in zip(entries, names, strict=True):
        # Two copies of one record are told apart by their folders.
        shown = name if names.count(name) == 1 else entry.folder
        say(f"{entry.state:<13} {shown}, {count(entry.track_count, 'track')}", hang=14)
    if waiting := interrupted(shelf):
        takes = count(len(waiting), "interrupted take")
        say(f"{takes}: 'sidekeep shelf repair' keeps all that was recorded, and closes what is open")
    if not entries:
        print("nothing matches" if words or state else f"the shelf {shelf} is empty")
    return 0


def _name(entry: Any) -> str:
    year = f" ({entry.year})" if entry.year else ""
    return (" - ".join(part for part in (entry.artist, entry.title) if part) or entry.folder) + year


def _repair(options: argparse.Namespace, shelf: Path) -> int:
    from sidekeep.cli.terminal.output import print_json
    from sidekeep.service.recording.take_close import recover

    takes = recover(shelf)
    if options.json:
        print_json({"takes": [take.facts() for take in takes]})
        return 0
    for take in takes:
        print(f"side {take.side}, {clock_text(take.length_s)}, is kept: {take.folder}")
    if not takes:
        print("nothing needs repair")
    return 0


def _styluses(options: argparse.Namespace, shelf: Path) -> int:
    from sidekeep.cli.terminal.output import print_json, say
    from sidekeep.service.shelf.stylus_hours import keep_stylus, stylus_hours

    if options.name:
        keep_stylus(shelf, options.name, hours_before=options.hours_before, remind_at_h=options.remind_at)
    log = stylus_hours(shelf)
    if options.json:
        print_json({"styluses": [{**vars(item), "is_due": item.is_due} for item in log]})
        return 0
    for item in log:
        due = "  look at the tip, or have it looked at" if item.is_due else ""
        print(f"{item.name}: {item.hours:.1f} h{due}")
    if not log:
        say("no stylus is known yet; name it when you take or adopt a record, or add it here")
    return 0
