"""``sidekeep shelf``: what was decided about a record, taken back or made again, and which take is which side."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sidekeep.cli.terminal.parser import add_described

ACTIONS = ("history", "undo", "redo", "swap", "use")


def add_actions(actions: Any) -> None:
    """The actions of the verb that change or tell choices."""
    history = add_described(
        actions, "history", "show every change of a record's marks, titles, settings, sleeve"
    )
    undo = add_described(actions, "undo", "take back your newest change to a record")
    redo = add_described(actions, "redo", "redo the change that was undone last")
    swap = add_described(actions, "swap", "swap two sides that were taken for each other")
    use = add_described(actions, "use", "choose the take of a side that copies are made from")
    for parser in (history, undo, redo, swap, use):
        parser.add_argument(
            "record", metavar="RECORD", help="the record: its folder, or words that match one"
        )
    swap.add_argument("a", metavar="SIDE", help="a side, such as A")
    swap.add_argument("b", metavar="SIDE", help="the other one, such as B")
    use.add_argument("side", metavar="SIDE", help="the side, such as B")
    use.add_argument("number", metavar="NUMBER", type=int, help="the number of the take: 2 for B-2")


def run(options: argparse.Namespace, shelf: Path) -> int:
    """Tell the history, or make one change."""
    from sidekeep.cli.terminal.output import print_json, say
    from sidekeep.model.edits import ChooseTake, SwapSides
    from sidekeep.service.choices import edits
    from sidekeep.service.shelf.records import change_record, find_record

    folder = find_record(shelf, options.record)
    if options.action == "history":
        entries = [edits.entry_object(entry) for entry in edits.history(folder)]
        if options.json:
            print_json({"schema": 1, "entries": entries})
            return 0
        for entry in entries:
            say(history_line(entry, entries))
        return 0
    if options.action in ("undo", "redo"):
        made = change_record(shelf, folder, edits.undo if options.action == "undo" else edits.redo)
    elif options.action == "swap":
        swapped = SwapSides(a=options.a.upper(), b=options.b.upper())
        made = change_record(shelf, folder, lambda record: edits.apply(record, swapped))
    else:
        chosen = ChooseTake(side=options.side.upper(), number=options.number)
        made = change_record(shelf, folder, lambda record: edits.apply(record, chosen))
    newest = edits.entry_object(made.entry) if made.entry else None
    if options.json:
        print_json({"schema": 1, "revision": made.revision, "entry": newest})
    elif newest is None:
        print("nothing was different: it is so already")
    else:
        known = [edits.entry_object(each) for each in edits.history(folder)]
        say(history_line(newest, known))
        if options.action in ("swap", "use"):
            say("copies are made anew from this with: sidekeep copies (with --replace where there are some)")
    return 0


def history_line(entry: Mapping[str, Any], entries: list[dict[str, Any]]) -> str:
    """One change in one line: number, when (UTC), by whom, what."""
    who = {"person": "you", "by-hand": "in a file", "survey": "survey", "upload": "picture"}.get(
        entry["by"], entry["by"]
    )
    when = entry["at_utc"][:16].replace("T", " ")
    return f"{entry['seq']:>4}  {when}  {who:<9}  {change_text(entry, entries)}"


def change_text(entry: Mapping[str, Any], entries: list[dict[str, Any]]) -> str:
    """What a change was, in words."""
    if entry["of"] is not None:
        meant = next((each for each in entries if each["seq"] == entry["of"]), None)
        return f"{entry['of']}: {change_text(meant, entries)}" if meant else f"change {entry['of']}"
    facts = {name: ", ".join(map(str, v)) if isinstance(v, list) else v for name, v in entry["facts"].items()}
    make = _TEXTS.get(entry["code"])
    try:
        return make.format_map(facts) if make else entry["code"]
    except (KeyError, ValueError, AttributeError):
        return str(entry["code"])


_TEXTS = {
    "begun": "the record as it was when its history began",
    "by-hand": "changed in the record's files",
    "cuts-proposed": "sides and tracks as they were found",
    "titles": "titles by the {titles} order",
    "recipe": "settings of the recipe",
    "recipe-text": "a recipe from a file",
    "move-mark": "side {side} track {track}: its {edge} moved to frame {frame}",
    "split": "side {side}: a track split at frame {frame}",
    "join": "side {side} track {track}: joined with the one after it",
    "runs-on": "side {side} track {track}: runs on from the one before, or not",
    "retitle": "side {side} track {track}: another title",
    "right": "side {side} track {track}: its start is right",
    "music-start": "side {side}: the music starts at frame {frame}",
    "music-stop": "side {side}: the music stops at frame {frame}",
    "as-found": "side {side}: cut as it was found",
    "leave": "repairs left alone",
    "mend": "repairs made after all",
    "mend-all": "all repairs made again",
    "choose-take": "side {side}: take {number} is used",
    "swap-sides": "sides {a} and {b} swapped",
    "seen": "side {side}: a finding was looked at",
    "put-back": "{files} could not be read and is as it was before; the broken one is kept as {kept}",
    "notes": "notes",
    "sleeve": "the sleeve text",
    "picture": "a picture of the {picture}",
    "picture-away": "the picture of the {picture} taken away",
    "picture-corners": "the corners of the picture of the {picture} moved",
}
