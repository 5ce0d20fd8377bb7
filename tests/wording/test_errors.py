"""Errors are raised as a code with facts; every code has its sentence, in one room, and the sentence finds the facts it takes."""

from __future__ import annotations

import ast
import json
import pickle
import re
from collections.abc import Iterable, Iterator
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from tests.reading import ROOT, walked

from sidekeep import errors
from sidekeep.cli.texts import errors as error_words
from sidekeep.errors import ParameterError, RecordBusy, ShelfError, SidekeepError
from sidekeep.wording.errors.facts import names_in
from sidekeep.wording.errors.sentences import SENTENCES

HANDED_ON = {
    "files/bounded.py",  # raises the kind of error that its caller asks for
    "shelf/choices/recipe_file.py",
    "shelf/record_folder.py",
    "service/house/jobs/queue.py",
}
"""Where an error is made from the code of another one."""


@cache
def modules() -> list[Path]:
    """Every module of the program."""
    return sorted(ROOT.rglob("*.py"))


@cache
def family() -> set[str]:
    """The names of every class of the family, those of single rooms too."""
    bases = {
        node.name: {base.id for base in node.bases if isinstance(base, ast.Name)}
        for path in modules()
        for node in walked(path)
        if isinstance(node, ast.ClassDef)
    }
    names = {"SidekeepError"}
    while more := {name for name, above in bases.items() if above & names} - names:
        names |= more
    return names


def raised(nodes: Iterable[ast.AST], names: set[str]) -> Iterator[tuple[int, str | None, set[str]]]:
    """Line, code and names of the facts of every error made in a module; no code where it is no plain word."""
    # ``error("code", ...)`` with a class that was handed over counts too.
    for node in nodes:
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
            continue
        if node.func.id not in names and not (
            node.func.id == "error" and node.args and isinstance(node.args[0], ast.Constant)
        ):
            continue
        facts = {word.arg or "**" for word in node.keywords}
        codes = words(node.args[0]) if len(node.args) == 1 else [None]
        for code in codes:
            yield node.lineno, code, facts


def words(node: ast.expr) -> list[str | None]:
    if isinstance(node, ast.IfExp):
        return [*words(node.body), *words(node.orelse)]
    return [node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None]


def test_every_error_is_raised_with_a_code_that_has_a_sentence_and_with_the_facts_it_takes() -> None:
    known = {**SENTENCES, **error_words.WORDS}
    names = family()
    faults, used = [], set()
    for path in modules():
        place = path.relative_to(ROOT).as_posix()
        for line, code, facts in raised(walked(path), names):
            sentence = known.get(code or "")
            used.add(code)
            if code is None:
                if place not in HANDED_ON and place not in ONE_OF_SEVERAL:
                    faults.append(f"{place}:{line}: the code is no plain word")
            elif sentence is None:
                faults.append(f"{place}:{line}: {code!r} has no sentence in wording/errors/")
            elif isinstance(sentence, str) and "**" not in facts and not names_in(sentence) <= facts:
                faults.append(f"{place}:{line}: {code!r} lacks {sorted(names_in(sentence) - facts)}")
    for place in ONE_OF_SEVERAL:
        found = {
            n.value for n in walked(ROOT / place) if isinstance(n, ast.Constant) and isinstance(n.value, str)
        }
        used |= found & known.keys()
    assert faults == []
    assert known.keys() - used == set(), "sentences that no error has"


ONE_OF_SEVERAL = {"files/atomic.py", "copies/kept/intact.py"}
"""Where the code is looked up by what the system said, or chosen before."""


def test_codes_are_words_and_sentences_one_line_of_their_own() -> None:
    known = {**SENTENCES, **error_words.WORDS}
    assert [code for code in known if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code)] == []
    plain = [sentence for sentence in known.values() if isinstance(sentence, str)]
    assert len(set(plain)) == len(plain)
    assert [sentence for sentence in plain if "\n" in sentence or sentence.endswith(".")] == []


@pytest.mark.parametrize(
    "code",
    [
        "from sidekeep.errors import ShelfError\nraise ShelfError('the shelf is full')\n",
        "raise ShelfError(f'{path} is there')\n",
        "raise ShelfError(f'{path} is there', facts={'path': path})\n",
        "raise NotThere('shelf-is-file')\n",
    ],
)
def test_the_check_sees_a_sentence_and_a_fact_that_lacks(code: str) -> None:
    ((_, found, facts),) = raised(ast.walk(ast.parse(code)), family())
    sentence = SENTENCES.get(found or "")
    assert sentence is None or (isinstance(sentence, str) and not names_in(sentence) <= facts)


def test_facts_are_plain_values_and_survive_json_and_another_process() -> None:
    error = ParameterError(
        "not-one-of",
        name=Path("a/b"),
        given=np.int64(3),
        known={"x": 1, "y": 2},
        share=Fraction(1, 4),
        reason=OSError(28, "No space\nleft"),
        shape=(np.int32(2), 1),
    )
    assert json.loads(json.dumps(error.facts)) == {
        "name": "a/b",
        "given": 3,
        "known": ["x", "y"],
        "share": 0.25,
        "reason": "[Errno 28] No space left",
        "shape": [2, 1],
    }
    again = pickle.loads(pickle.dumps(error))
    assert (type(again), again.code, again.facts, str(again)) == (
        ParameterError,
        error.code,
        error.facts,
        str(error),
    )
    assert str(error) == "a/b=3 must be one of x, y"


def test_a_sentence_takes_braces_percent_signs_and_lists_as_they_come() -> None:
    assert str(ShelfError("shelf-is-file", shelf="{0} %s {shelf}")) == (
        "{0} %s {shelf} is a file; the shelf is a folder"
    )
    assert str(errors.DeviceError("input-unclear", count=2, wanted="a", inputs=["b, c", "d"])) == (
        "2 sound inputs match 'a', so give more of the name: b, c; d"
    )


def test_an_error_within_a_record_says_which() -> None:
    assert (
        str(ShelfError("cuts-no-name", record="Pale Harbour"))
        == "Pale Harbour: cuts.toml: a [[side]] without a name"
    )
    assert str(RecordBusy("busy", record="Pale Harbour", who="taking side A")).count("Pale Harbour") == 1


def test_an_unknown_code_or_missing_fact_is_told_as_it_is() -> None:
    assert str(SidekeepError("made-by-another-version", size=3)) == "made-by-another-version: size 3"
    assert str(SidekeepError("shelf-is-file")) == "shelf-is-file"
