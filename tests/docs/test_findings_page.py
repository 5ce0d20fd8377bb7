"""docs/findings.md and docs/copies.md name every kind there is, and no other."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from sidekeep.copies.kinds.table import KINDS
from sidekeep.wording.findings import WORDS
from tests.docs.pages import SOURCE, text
from tests.reading import parsed


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_copies_is_documented(kind: str) -> None:
    assert f"`{kind}`" in text("docs/copies.md")


@cache
def makers_of(path: Path) -> dict[str, int | None]:
    return makers_in(parsed(path)) if path.exists() else {}


def makers_in(tree: ast.Module) -> dict[str, int | None]:
    """Functions that make a finding of the kind they are given, and the place of that argument if it has one."""
    makers: dict[str, int | None] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.returns and "Finding" in ast.unparse(node.returns):
            names = [argument.arg for argument in (*node.args.posonlyargs, *node.args.args)]
            if "kind" in names:
                makers[node.name] = names.index("kind")
            elif "kind" in [argument.arg for argument in node.args.kwonlyargs]:
                makers[node.name] = None
    return makers


class Raised(ast.NodeVisitor):
    """Kinds given to ``Finding`` or to a helper that makes one, of the same module or imported."""

    def __init__(self, tree: ast.Module) -> None:
        self.kinds: set[str] = set()
        self.unclear: list[int] = []
        self.makers: dict[str, int | None] = {"Finding": None}
        self.inside: list[str] = []
        self.makers |= makers_in(tree)
        self.own = set(self.makers)
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sidekeep."):
                path = SOURCE.joinpath(*str(node.module).split(".")[1:]).with_suffix(".py")
                there = makers_of(path)
                self.makers |= {each.name: there[each.name] for each in node.names if each.name in there}
        self.visit(tree)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.inside.append(node.name)
        self.generic_visit(node)
        self.inside.pop()

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in self.makers:
            given = [keyword.value for keyword in node.keywords if keyword.arg == "kind"]
            place = self.makers[name]
            if not given and place is not None and place < len(node.args):
                given = [node.args[place]]
            for value in given:
                self.take(value, node.lineno, must=name in self.own)
        self.generic_visit(node)

    def take(self, value: ast.expr, line: int, *, must: bool) -> None:
        if isinstance(value, ast.Constant) and isinstance(value.value, str):
            self.kinds.add(value.value)
        elif isinstance(value, ast.IfExp):
            self.take(value.body, line, must=must)
            self.take(value.orelse, line, must=must)
        elif must and not (
            isinstance(value, ast.Name) and value.id == "kind" and set(self.inside) & set(self.makers)
        ):
            self.unclear.append(line)


def raised_kinds(root: Path) -> tuple[set[str], list[str]]:
    kinds: set[str] = set()
    unclear: list[str] = []
    for path in sorted(root.rglob("*.py")):
        if path.relative_to(root).parts[0] == "press":
            continue
        found = Raised(parsed(path))
        kinds |= found.kinds
        unclear += [f"{path.relative_to(root)}:{line}" for line in found.unclear]
    return kinds, unclear


def documented_kinds(page: str) -> dict[str, str]:
    """Kind and its severity from the tables of docs/findings.md."""
    return {m[1]: m[2] for m in re.finditer(r"^\| `([a-z0-9-]+)` \| ([a-z, ]+) \|", page, re.MULTILINE)}


def test_every_finding_is_documented_and_every_documented_one_is_raised() -> None:
    kinds, unclear = raised_kinds(SOURCE)
    assert unclear == [], "a finding's kind must be a plain word where it is raised"
    assert len(kinds) > 30
    documented = documented_kinds(text("docs/findings.md"))
    assert sorted(kinds - set(documented)) == [], "describe them in docs/findings.md"
    assert sorted(set(documented) - kinds) == [], "nothing raises these any more"
    assert sorted(kinds ^ set(WORDS)) == [], "every kind has its sentence in wording/"
    assert all(
        re.fullmatch(r"(note|look|act)(, (note|look|act))*", severity) for severity in documented.values()
    )


@pytest.mark.parametrize(
    ("code", "kinds"),
    [
        ("Finding(kind='one', start_frame=0, stop_frame=1)", {"one"}),
        (
            "def f(kind: str) -> Finding:\n    return Finding(kind=kind)\nf('two')\nf(kind='three')",
            {"two", "three"},
        ),
        ("Finding(kind='four' if x else 'five')", {"four", "five"}),
        ("def f(*, kind: str) -> Finding:\n    return Finding(kind=kind)\nf(kind='six')", {"six"}),
    ],
)
def test_the_reader_of_kinds_sees_all_ways_to_raise(code: str, kinds: set[str]) -> None:
    found = Raised(ast.parse(code))
    assert (found.kinds, found.unclear) == (kinds, [])


def test_the_reader_of_kinds_sees_a_hidden_kind() -> None:
    assert Raised(ast.parse("Finding(kind=names[3])")).unclear == [1]
