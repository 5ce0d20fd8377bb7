"""The program's own text, for tests that read it: every module is parsed and walked once in a process."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import sidekeep

ROOT = Path(sidekeep.__file__).parent
"""Where the program lies."""


@cache
def parsed(path: Path) -> ast.Module:
    """The tree of a file that does not change while tests run. Not to be changed."""
    return ast.parse(path.read_text("utf-8"))


@cache
def walked(path: Path) -> tuple[ast.AST, ...]:
    """Every node of a file, as ``ast.walk`` gives them."""
    return tuple(ast.walk(parsed(path)))
