"""Options are named on the command line and nowhere else; what is named there exists."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import sidekeep
from sidekeep.cli.main import VERBS, build_parser
from sidekeep.cli.texts.answers import ERROR_ANSWERS, FINDING_ANSWERS, error_answer, finding_answer
from sidekeep.errors import CopyError
from sidekeep.wording.errors.sentences import SENTENCES
from sidekeep.wording.findings import WORDS
from tests.reading import walked

SOURCE = Path(sidekeep.__file__).parent
TO_THE_TERMINAL = {"web/faults.py"}
"""Beside the command line itself: what the server's own window is told."""


def sentences(path: Path) -> Iterator[tuple[int, str]]:
    """Every piece of text in a module that is no docstring."""
    notes = {id(node.value) for node in walked(path) if isinstance(node, ast.Expr)}
    for node in walked(path):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in notes:
            yield node.lineno, node.value


def test_no_sentence_outside_the_command_line_names_an_option() -> None:
    named = [
        f"{place}:{line}: {text}"
        for path in sorted(SOURCE.rglob("*.py"))
        if not (place := path.relative_to(SOURCE).as_posix()).startswith("cli/")
        and place not in TO_THE_TERMINAL
        for line, text in sentences(path)
        if re.search(r"(?<![-\w])--[a-z]", text)
    ]
    assert named == []


def test_every_answer_is_to_something_that_is_raised_and_names_options_that_exist() -> None:
    assert set(FINDING_ANSWERS) <= set(WORDS)
    assert set(ERROR_ANSWERS) <= set(SENTENCES)
    options = set(re.findall(r"--[a-z-]+", "".join(build_parser(verb).format_help() for verb in VERBS)))
    for verb in VERBS:
        parser = build_parser(verb)
        for action in parser._actions:
            for sub in (getattr(action, "choices", None) or {}).values():
                options |= {word for each in sub._actions for word in each.option_strings}
    for answer in (*FINDING_ANSWERS.values(), *ERROR_ANSWERS.values()):
        assert set(re.findall(r"--[a-z-]+", answer)) <= options, answer


def test_an_error_ends_with_the_option_that_helps() -> None:
    assert error_answer(CopyError("exists")) == " (--replace overwrites it)"
    assert error_answer(CopyError("disk-full")) == error_answer(OSError("no")) == ""
    assert finding_answer("hum") == ""
