"""Whatever the command line can do for a record has its place on the page, or a reason why not (docs/decisions.md).

A new verb, action or option fails here until it is given one or the other; so does a place whose words are gone from the page.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import pytest

from sidekeep.cli.main import VERBS, build_parser
from sidekeep.web.files import PAGE

HERE = "the page serves the shelf it was opened on"
FILES = "a browser gives and takes files, not folders or paths"
BY_ITSELF = "done by itself on the page"
NO_RECORD = "is no verb for a record on the shelf"
ON_ITS_OWN = "of files that are not on the shelf; on the page they are brought in first"

COPIES = {
    "--copies": ("places/copies.js", "What for"),
    "--recipe": ("copies/recipe_file.js", "Follow a recipe from a file"),
    "--mend": ("places/copies.js", "How much is mended"),
    "--level": ("places/copies.js", "How its level is set"),
    "--lead-in": ("places/copies.js", "Where the first file begins"),
    "--titles": ("places/copies.js", "titles"),
    "--comment": ("places/copies.js", "comment"),
    "--isrc": ("places/copies.js", "The ISRC of a track stands in the sleeve text"),
    "--track-names": ("places/copies.js", "track_names"),
    "--form": ("copies/form.js", "Bits, rates and bit rates"),
    "--picture-px": ("copies/form.js", "Longest edge of pictures"),
    "--picture-kb": ("copies/form.js", "Largest picture in kilobytes"),
    "--front-file": ("copies/form.js", "The front lies beside the tracks as"),
    "--cd-picture": ("copies/form.js", "CD tracks carry the picture too"),
    "--disc-folders": ("copies/form.js", "A folder for every disc of a set"),
    "--through-numbers": ("copies/form.js", "Tracks are numbered through all discs"),
    "--old-tags": ("copies/form.js", "Tags for old players"),
    "--owner": ("copies/form.js", "Who keeps the master"),
    "--replace": ("places/copies.js", "Write again, in place of the old files"),
}
INPUT = {
    "--input": ("turntable/setup.js", "Use this one"),
    "--rate": ("turntable/setup.js", "Recorded at"),
    "--bits": ("turntable/setup.js", "bits"),
}

PLACES: dict[str, dict[str, tuple[str, str] | str]] = {
    "demo": dict.fromkeys(("--out", "--copies", "--open"), NO_RECORD),
    "open": dict.fromkeys(("--shelf", "--port", "--no-browser"), NO_RECORD),
    "inputs": {"--use": INPUT["--input"]},
    "gauge": {
        **INPUT,
        "--seconds": BY_ITSELF,
        "--peak": ("turntable/setup.js", "Highest peak wanted"),
    },
    "take": {
        **INPUT,
        "record": ("places/turntable.js", "on the turntable."),
        "side": ("places/turntable.js", "Sides to take"),
        "--stylus": ("turntable/stylus.js", "The stylus"),
        "--by-key": ("places/turntable.js", "Begin and end each side by my press"),
        "--any-side": ("places/turntable.js", "which the sleeve does not list"),
        "--copies": ("places/turntable.js", "write the copies"),
        "--no-survey": ("places/turntable.js", "Look for tracks and damage afterwards"),
        "--shelf": HERE,
    },
    "survey": {"file": ON_ITS_OWN, "--sleeve": ON_ITS_OWN, "--sides": ON_ITS_OWN},
    "mend": {
        "source": ON_ITS_OWN,
        "out": ON_ITS_OWN,
        "--mend": COPIES["--mend"],
        "--leave": ("side/chosen.js", "Leave this"),
        "--mend-too": ("side/chosen.js", "Mend this"),
        "--taken-out": ("side/listen.js", "what was taken out"),
        "--replace": ON_ITS_OWN,
    },
    "transfer": {
        **COPIES,
        "file": ("sleeve/bring_in.js", "Choose the recordings"),
        "--sleeve": ("places/sleeve.js", "Sleeve text"),
        "--out": FILES,
        "--sides": ("sleeve/bring_in.js", "side"),
        "--picture": ("sleeve/pictures.js", "front"),
        "--back-picture": ("sleeve/pictures.js", "back"),
        "--label-picture": ("sleeve/pictures.js", "label"),
    },
    "copies": {**COPIES, "record": ("page.js", "Copies"), "--shelf": HERE},
    "compare": {
        "old": ("places/later.js", "Between"),
        "new": ("places/later.js", "and"),
        "--out": FILES,
        "--shelf": HERE,
    },
    "combine": {
        "take": ("places/later.js", "One better take out of these"),
        "--pieces": ("side/pieces.js", "Put them together"),
        "--out": FILES,
        "--replace": FILES,
        "--shelf": HERE,
    },
    "verify": {
        "place": ("places/copies.js", "Check takes and copies against their checksums"),
        "--decode": ("shelf/care.js", "decode every FLAC too"),
        "--shelf": HERE,
    },
    "adopt": {
        "file": ("sleeve/bring_in.js", "Choose the recordings"),
        "--sleeve": ("places/sleeve.js", "Sleeve text"),
        "--record": ("sleeve/bring_in.js", "record"),
        "--sides": ("sleeve/bring_in.js", "side"),
        "--move": FILES,
        "--stylus": ("sleeve/bring_in.js", "stylus"),
        "--shelf": HERE,
    },
    "shelf": {"--shelf": HERE},
    "shelf list": {
        "words": ("places/shelf.js", "Find"),
        "--state": ("places/shelf.js", "all records"),
        "--shelf": HERE,
    },
    "shelf plan": {"sleeve": ("places/sleeve.js", "Sleeve text"), "--another": BY_ITSELF, "--shelf": HERE},
    "shelf rebuild": {"--shelf": HERE},
    "shelf repair": {"--shelf": HERE},
    "shelf again": {
        "record": ("places/later.js", "Remind me to play it again after"),
        "--months": ("shelf/care.js", "Taken longer ago than"),
        "--after": ("places/later.js", "Remind me to play it again after"),
        "--never": ("places/later.js", "No reminder"),
        "--shelf": HERE,
    },
    "shelf styluses": {
        "name": ("turntable/stylus.js", "The stylus"),
        "--hours-before": ("turntable/stylus.js", "hours before its first take here"),
        "--remind-at": ("turntable/stylus.js", "remind me at"),
        "--shelf": HERE,
    },
    "shelf history": {"record": ("side/history.js", "What was done"), "--shelf": HERE},
    "shelf undo": {"record": ("places/side.js", "Undo"), "--shelf": HERE},
    "shelf redo": {"record": ("places/side.js", "Redo"), "--shelf": HERE},
    "shelf swap": {
        "record": ("side/takes.js", "Swap sides"),
        "a": ("side/takes.js", "Swap sides"),
        "b": ("side/takes.js", "Swap sides"),
        "--shelf": HERE,
    },
    "shelf use": {
        "record": ("side/takes.js", "Use this one"),
        "side": ("side/takes.js", "Use this one"),
        "number": ("side/takes.js", "Use this one"),
        "--shelf": HERE,
    },
}
VERBS_DONE = {
    "shelf rebuild": ("shelf/care.js", "Read the record folders again"),
    "shelf repair": ("shelf/care.js", "keep all that was recorded"),
}
"""Actions that have no options of their own."""
OF_A_TERMINAL = {"help", "debug", "json", "action", "list_kinds"}


def inner(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def commands() -> Iterator[tuple[str, argparse.ArgumentParser]]:
    for verb in VERBS:
        parser = inner(build_parser(verb))[verb]
        yield verb, parser
        for name, action in inner(parser).items():
            yield f"{verb} {name}", action


def options(parser: argparse.ArgumentParser) -> set[str]:
    """Long options as they are first spelled (``--cd-picture`` for both its forms), and positional arguments."""
    return {
        next((name for name in action.option_strings if name.startswith("--")), action.dest)
        for action in parser._actions
        if action.dest not in OF_A_TERMINAL
    }


def test_every_option_of_every_verb_has_its_place_or_a_reason() -> None:
    found = {command: options(parser) for command, parser in commands()}
    assert found == {command: set(places) for command, places in PLACES.items()}


@pytest.mark.parametrize(
    ("file", "words"),
    sorted(
        {
            place
            for places in (*PLACES.values(), VERBS_DONE)
            for place in places.values()
            if not isinstance(place, str)
        }
    ),
)
def test_the_place_is_on_the_page(file: str, words: str) -> None:
    assert words in (PAGE / file).read_text("utf-8")
