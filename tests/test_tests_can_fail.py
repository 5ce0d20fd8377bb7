"""Tests that cannot fail, and tests that are skipped in silence, are not written again."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent
FILES = sorted(HERE.rglob("*.py"))
SKIPS = ("skip", "importorskip", "xfail", "skipif")
ANSWERS = ("main(", "code", "returncode", "say(", "run(")


def weak_spots(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and reason of every assert that lets through what it is there to stop."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Assert):
            continue
        if isinstance(node.test, ast.Tuple) and node.test.elts:
            yield node.lineno, "a tuple is always true"
        if isinstance(node.test, ast.Constant) and node.test.value:
            yield node.lineno, "a constant is always true"
        for part in ast.walk(node.test):
            if isinstance(part, ast.BoolOp) and isinstance(part.op, ast.Or):
                if any(isinstance(one, ast.Constant) and one.value for one in part.values):
                    yield node.lineno, "a constant in an 'or' is always true"
                if ".get(" in ast.unparse(part.values[0]) and isinstance(part.values[-1], ast.Compare):
                    yield node.lineno, "'a or b == c' is true for any a: put it in brackets"
            if isinstance(part, ast.Compare) and len(part.ops) == 1:
                yield from ((node.lineno, reason) for reason in weak_comparisons(part))


def weak_comparisons(part: ast.Compare) -> Iterator[str]:
    right = part.comparators[0]
    if isinstance(part.ops[0], ast.In) and isinstance(right, ast.Tuple | ast.Set | ast.List):
        values = {one.value for one in right.elts if isinstance(one, ast.Constant)}
        if {0, 1} <= values and all(type(value) is int for value in values):
            yield "an exit code is one number: done, or done with something to look at"
    if isinstance(part.ops[0], ast.NotEq | ast.Lt | ast.LtE) and isinstance(right, ast.Constant):
        if right.value in (1, 2) and any(word in ast.unparse(part.left) for word in ANSWERS):
            yield "an exit code is one number, not anything but another one"
    if isinstance(part.ops[0], ast.Eq) and isinstance(right, ast.Name) and ast.unparse(part.left) == right.id:
        yield "it is compared with itself"
    if (
        isinstance(part.ops[0], ast.GtE)
        and ast.unparse(part).startswith("len(")
        and ast.unparse(right) == "0"
    ):
        yield "a length is never below 0"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(HERE)))
def test_every_assert_can_fail(path: Path) -> None:
    assert list(weak_spots(ast.parse(path.read_text("utf-8")))) == []


def test_nothing_is_skipped_past_the_one_door() -> None:
    """``outside.py`` fails with CI=true where something is missing; what a system cannot do is a plain ``skipif``."""
    past = []
    for path in FILES:
        text = path.read_text("utf-8")
        for node in ast.walk(ast.parse(text)) if any(word in text for word in SKIPS) else ():
            if not isinstance(node, ast.Call) or path == HERE / "outside.py":
                continue
            if not isinstance(node.func, ast.Attribute) or node.func.attr not in SKIPS:
                continue
            name = ast.unparse(node.func)
            asks = ast.unparse(node)
            if name in ("pytest.skip", "pytest.importorskip", "pytest.xfail", "pytest.mark.xfail") or (
                name == "pytest.mark.skipif" and any(word in asks for word in ("which", "environ", "import"))
            ):
                past.append(f"{path.relative_to(HERE)}:{node.lineno}: {name}")
    assert past == []


@pytest.mark.parametrize(
    "line",
    [
        "assert code in (0, 1)",
        "assert [job.returncode in (0, 1) for job in jobs] == [True, True]",
        "assert main(words) != 2",
        "assert main(words) <= 1",
        "assert got.get('a') or got.get('b') == 'c'",
        "assert found or 'nothing'",
        "assert (found, 'a reason')",
        "assert one == one",
        "assert len(found) >= 0",
    ],
)
def test_the_reader_sees_what_cannot_fail(line: str) -> None:
    assert len(list(weak_spots(ast.parse(line)))) >= 1


@pytest.mark.parametrize(
    "line",
    ["assert kind in ('a', 'b')", "assert a or b", "assert main(words) == 1", "assert press(3) == press(3)"],
)
def test_the_reader_lets_the_others_be(line: str) -> None:
    assert list(weak_spots(ast.parse(line))) == []
