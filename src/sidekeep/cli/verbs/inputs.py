"""``sidekeep inputs``: sound inputs with their true format."""

from __future__ import annotations

import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the verb."""
    parser.add_argument("--use", metavar="NAME", help="remember this input (key or part of its name)")
    parser.add_argument("--json", action="store_true", help="print JSON")


def add_input_options(parser: argparse.ArgumentParser) -> None:
    """Which input and how, for verbs that listen."""
    parser.add_argument(
        "--input", metavar="NAME", help="the sound input (remembered; 'sidekeep inputs' lists them)"
    )
    parser.add_argument("--rate", type=int, metavar="HZ", help="sample rate (default: the input's own)")
    parser.add_argument(
        "--bits", type=int, choices=(16, 24, 32), help="word length (default: the input's own)"
    )


def run(options: argparse.Namespace) -> int:
    """List."""
    from sidekeep.cli.terminal.output import print_json, say
    from sidekeep.cli.texts.news import news_text
    from sidekeep.service.inputs import list_inputs, pick_input, remembered_input
    from sidekeep.wording.about import count

    if options.use:
        pick_input(options.use)
    inputs = list_inputs()
    known = remembered_input()
    chosen_key = known[0] if known is not None else inputs[0].key
    if options.json:
        print_json(
            {
                "inputs": [
                    {
                        **vars(each),
                        "notes": [note.as_object() for note in each.notes],
                        "is_chosen": each.key == chosen_key,
                    }
                    for each in inputs
                ]
            }
        )
        return 0
    for each in inputs:
        mark = "*" if each.key == chosen_key else " "
        bits = f"{each.bits} bits" if each.bits else "bits unknown"
        rates = ", ".join(f"{rate / 1000:g}" for rate in each.rates_hz) or f"{each.rate_hz / 1000:g}"
        twin = sum(other.name == each.name for other in inputs) > 1
        name = f"{each.name} [{each.key}]" if twin else each.name
        say(f"{mark} {name}: {count(each.channels, 'channel')}, {rates} kHz, {bits}")
        if each.is_loopback:
            say("    what this machine plays itself, not a turntable")
        for note in each.notes:
            say(f"    {news_text(note)}")
    if known is not None and all(each.key != chosen_key for each in inputs):
        say(f"* {known[1]}: not there now; nothing else is taken in its place")
    say("* is used; choose another with 'sidekeep inputs --use NAME'")
    return 0
