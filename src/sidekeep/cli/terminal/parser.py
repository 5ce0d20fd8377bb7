"""The parser of the command line: what is wrong with the words is told in one line, with what is allowed."""

from __future__ import annotations

import argparse
import difflib
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn


class Parser(argparse.ArgumentParser):
    """Parses as argparse does, and complains as the rest of the command line does. Parsers of verbs are of this kind too."""

    def _get_value(self, action: argparse.Action, arg_string: str) -> Any:
        """No empty names of files and folders: they would mean the folder one happens to be in."""
        if action.type is Path and not arg_string:
            raise argparse.ArgumentError(action, "its name is empty; is it a variable that is not set?")
        return super()._get_value(action, arg_string)

    def error(self, message: str) -> NoReturn:
        """One line on stderr, and the exit code 2."""
        from sidekeep.cli.terminal.output import say

        say(f"{self.prog}: {in_words(message)} ('{self.prog} --help' tells more)", to=sys.stderr)
        self.exit(2)


def parsed(parser: argparse.ArgumentParser, words: Sequence[str]) -> argparse.Namespace:
    """The options; words that belong to none are told by the verb they were given to, with the option they may mean."""
    options, extra = parser.parse_known_args(words)
    if extra:
        asked = _innermost(parser, words)
        given = extra[0].partition("=")[0]
        close = difflib.get_close_matches(given, list(asked._option_string_actions), n=1)
        meant = f"; did you mean '{close[0]}'?" if close and given.startswith("-") else ""
        if not given.startswith("-") and asked._get_positional_actions():
            meant = "; a name of several words needs quotes around it"
        asked.error(f"not understood: {' '.join(extra)}{meant}")
    return options


def _innermost(parser: argparse.ArgumentParser, words: Sequence[str]) -> argparse.ArgumentParser:
    """The parser of the verb, or of its action, that the words are for."""
    for word in words:
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction) and word in action.choices:
                return _innermost(action.choices[word], words[words.index(word) + 1 :])
    return parser


def add_described(parsers: Any, name: str, what: str) -> argparse.ArgumentParser:
    """A verb or an action: ``what`` it does stands in the list of all of them and on its own page of help."""
    added: argparse.ArgumentParser = parsers.add_parser(
        name, help=what, description=f"{what[0].upper()}{what[1:]}."
    )
    return added


def in_words(message: str) -> str:
    """argparse's message as a person reads it; one that is not known stays as it is."""
    for pattern, words in _MESSAGES:
        if found := re.fullmatch(pattern, message, re.DOTALL):
            return words(found)
    return message


def _no_such(found: re.Match[str]) -> str:
    name, given = found["name"].lower(), found["given"]
    allowed = [word.strip().strip("'\"") for word in found["allowed"].split(",")]
    close = difflib.get_close_matches(given, allowed, n=1)
    if name.startswith("-"):
        return f"{name} '{given}' is not one of {', '.join(allowed)}"
    meant = f"did you mean '{close[0]}'?" if close else f"there are {', '.join(allowed)}"
    return f"there is no {name} '{given}'; {meant}"


_KINDS = {"int": "a whole number", "float": "a number"}
_MESSAGES = (
    (r"argument (?P<name>[^:]+): invalid choice: '(?P<given>.*)' \(choose from (?P<allowed>.*)\)", _no_such),
    (
        r"the following arguments are required: (?P<names>.*)",
        lambda found: f"missing: {found['names']}",
    ),
    (
        r"argument (?P<name>[^:]+): invalid (?P<kind>int|float) value: '(?P<given>.*)'",
        lambda found: f"{found['name']} '{found['given']}' is not {_KINDS[found['kind']]}",
    ),
    (
        r"argument (?P<name>[^:]+): expected (?:one|at least one) argument",
        lambda found: f"{found['name']} needs a value",
    ),
    (r"argument (?P<name>[^:]+): (?P<rest>.*)", lambda found: f"{found['name']}: {found['rest']}"),
)
