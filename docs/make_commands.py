"""Make ``docs/commands.md`` from the parsers' own help, so that the page cannot say anything else.

python docs/make_commands.py            write the page
python docs/make_commands.py --check    exit code 1 when the page is stale
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from pathlib import Path

PAGE = Path(__file__).with_name("commands.md")
WIDTH = 100

HEAD = """\
# Commands

Made from `sidekeep VERB --help` by `docs/make_commands.py`; do not edit. Exit codes are 0 (done), 1 (done, but
findings need a look) and 2 (could not; one line says why). `--json` prints JSON ([fields](json.md)).
Nothing is overwritten without `--replace`.
"""


def help_texts() -> Iterator[tuple[str, str]]:
    """(command, help text) of the program, of every verb and of every action of a verb."""
    from sidekeep.cli.main import VERBS, build_parser

    # argparse asks the environment for its width and, in new versions, for colours.
    os.environ.update(COLUMNS=str(WIDTH + 2), NO_COLOR="1")
    yield "sidekeep", build_parser(None).format_help()
    for verb in VERBS:
        parser = _inner(build_parser(verb))[verb]
        yield f"sidekeep {verb}", parser.format_help()
        for name, action in _inner(parser).items():
            yield f"sidekeep {verb} {name}", action.format_help()


def _inner(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def page() -> str:
    """The whole page."""
    parts = [HEAD]
    for command, text in help_texts():
        depth = "##" if command.count(" ") < 2 else "###"
        parts.append(f"{depth} {command}\n\n```\n{text.rstrip()}\n```\n")
    return "\n".join(parts)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--check", action="store_true", help="only say whether the page is fresh")
    options = parser.parse_args()
    text = page()
    if options.check:
        fresh = PAGE.exists() and PAGE.read_text("utf-8").split() == text.split()
        print("fresh" if fresh else "stale: run python docs/make_commands.py")
        return 0 if fresh else 1
    PAGE.write_text(text, "utf-8")
    print(PAGE.name)
    return 0


if __name__ == "__main__":
    sys.exit(main())
