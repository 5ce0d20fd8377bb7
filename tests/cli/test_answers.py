"""Options are named on the command line and nowhere else; what is named there exists."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

import sidekeep
from sidekeep.cli.main import VERBS, build_parser, main
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


@pytest.mark.parametrize(
    ("subtype", "out", "told"),
    [
        ("PCM_U8", "out.wav", "a recording of 8 bits cannot be mended to the same word length"),
        ("PCM_32", "out.flac", "a recording of 32 bits is mended to .wav only"),
        ("FLOAT", "out.flac", "a floating-point recording is mended to .wav only"),
        ("PCM_16", "in.wav", "in.wav cannot be written: it is only ever read"),
    ],
)
def test_what_cannot_be_mended_there_is_told_with_the_way_out(
    tmp_path: Path,
    subtype: str,
    out: str,
    told: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    soundfile.write("in.wav", np.zeros((4410, 2)), 44_100, subtype=subtype)
    assert main(["mend", "in.wav", out]) == 2
    assert told in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["in.wav"]
