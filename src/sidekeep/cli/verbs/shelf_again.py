"""``sidekeep shelf again``: what to play again, after a day that was set for it or after so many months."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from sidekeep.cli.terminal.parser import add_described


def add_again(actions: Any) -> None:
    """The action of the verb, and its options."""
    again = add_described(
        actions, "again", "show what is due to be played again; with a record and a date: set a reminder"
    )
    again.add_argument(
        "record", metavar="RECORD", nargs="?", help="the record: its folder, or words that match one"
    )
    again.add_argument(
        "--months",
        type=float,
        default=12.0,
        metavar="M",
        help="list sides that were last taken at least this many months ago (default: 12)",
    )
    day = again.add_mutually_exclusive_group()
    day.add_argument("--after", metavar="DATE", help="remind me of this record after a day: 2030-01-31")
    day.add_argument("--never", action="store_true", help="take its reminder away")


def run(options: argparse.Namespace, shelf: Path) -> int:
    """List what is due, or set, tell and take away a reminder."""
    from sidekeep.errors import ParameterError

    if options.record is not None:
        return _of_one(options, shelf)
    if options.after is not None or options.never:
        raise ParameterError("reminder-of-which-record")
    return _list(options, shelf)


def due_lines(shelf: Path) -> list[str]:
    """A line for every record whose day has come."""
    from sidekeep.service.comparing.reminder import reminders_due

    return [f"to be played again since {one.after}: {one.record}" for one in reminders_due(shelf)]


def _of_one(options: argparse.Namespace, shelf: Path) -> int:
    from sidekeep.cli.terminal.output import print_json, say
    from sidekeep.service.comparing.reminder import day_of, play_again_after, remind
    from sidekeep.service.shelf.records import find_record

    record = find_record(shelf, options.record)
    if options.never:
        remind(record, None)
    elif options.after is not None:
        remind(record, day_of(options.after))
    after = play_again_after(record)
    if options.json:
        print_json({"record": record.path.name, "after": after.isoformat() if after else None})
    elif after is None:
        say(f"{record.path.name}: no reminder")
    else:
        say(f"{record.path.name}: to be played again after {after}")
    return 0


def _list(options: argparse.Namespace, shelf: Path) -> int:
    from sidekeep.cli.terminal.output import print_json, say
    from sidekeep.errors import ParameterError
    from sidekeep.service.comparing.history import sides_due
    from sidekeep.service.comparing.reminder import reminders_due

    if not 0.0 < options.months < 1200.0:
        raise ParameterError("months-out-of-range", months=options.months)
    due = sides_due(shelf, options.months)
    if options.json:
        print_json(
            {
                "records": [
                    {"record": one.record, "after": one.after.isoformat()} for one in reminders_due(shelf)
                ],
                "sides": [
                    {"record": one.record, "side": one.side, "taken_utc": one.taken_utc} for one in due
                ],
            }
        )
        return 0
    lines = due_lines(shelf)
    lines += [f"{one.record}, side {one.side}: last taken {one.taken_utc[:10]}" for one in due]
    months = f"{options.months:g} month{'' if options.months == 1.0 else 's'}"
    for line in lines or [f"no side was last taken more than {months} ago"]:
        say(line)
    return 0
