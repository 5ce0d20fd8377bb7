"""Things that are done in one place only: small files are read with a bound, checksums are taken by one helper, the disk is
reached by one."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterable, Iterator

import pytest

from tests.reading import ROOT, walked

READS = {"read_text", "read_bytes"}
READ_ELSEWHERE = {
    "dsp/kernel.py",  # the code itself
    "files/bounded.py",
    "fonts/__init__.py",  # what comes with the package
    "web/files.py",  # the page's own files
}
PARSES = {("json", "loads"), ("json", "load"), ("tomllib", "loads"), ("tomllib", "load")}
PARSED_ELSEWHERE = {
    "files/bounded.py",
    "shelf/toml_text.py",
    # From a text that is bounded already, or that this program made itself a moment ago:
    "shelf/sleeve/json_form.py",
    "shelf/choices/recipe_file.py",
    "flow/patches.py",
    "dsp/impulses/evidence/weights.py",
    # From the pipe to a process of ours, or a tool of the system's, never from a file:
    "devices/inputs.py",
    "devices/recorder.py",
    "devices/recorder_process.py",
    "devices/sound_server.py",
    "service/live/evening.py",
    "service/live/follower.py",
    "service/live/process.py",
}
SUMS_ELSEWHERE = {
    "dsp/kernel.py",  # names a folder of compiled code; ``files`` stands above ``dsp``
    "files/checksum.py",
    "flow/mend.py",  # names the fitted weights; ``files`` stands above ``flow``
    "web/guests.py",  # secrets
    "web/files.py",  # the page's own files
}
FLUSHES = {"fsync", "fdatasync", "F_FULLFSYNC"}
FLUSHES_ELSEWHERE = {"files/flushing.py"}


def reads(nodes: Iterable[ast.AST]) -> Iterator[str]:
    for node in nodes:
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in READS:
            if "files(" in ast.unparse(node.func.value):
                continue  # importlib.resources: what comes with the package, not from a disk that somebody writes to
            yield f"{node.lineno}: .{node.func.attr}"


def parses(nodes: Iterable[ast.AST]) -> Iterator[str]:
    for node in nodes:
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if (node.value.id, node.attr) in PARSES:
                yield f"{node.lineno}: {node.value.id}.{node.attr}"


def sums(nodes: Iterable[ast.AST]) -> Iterator[str]:
    for node in nodes:
        if isinstance(node, ast.Import) and any(name.name == "hashlib" for name in node.names):
            yield f"{node.lineno}: hashlib"


def flushes(nodes: Iterable[ast.AST]) -> Iterator[str]:
    for node in nodes:
        if isinstance(node, ast.Attribute) and node.attr in FLUSHES:
            yield f"{node.lineno}: .{node.attr}"


@pytest.mark.parametrize(
    ("look", "elsewhere"),
    [
        (reads, READ_ELSEWHERE),
        (parses, PARSED_ELSEWHERE),
        (sums, SUMS_ELSEWHERE),
        (flushes, FLUSHES_ELSEWHERE),
    ],
)
def test_there_is_one_door(look: Callable[[Iterable[ast.AST]], Iterator[str]], elsewhere: set[str]) -> None:
    found = [
        f"{name}:{place}"
        for path in sorted(ROOT.rglob("*.py"))
        if (name := path.relative_to(ROOT).as_posix()) not in elsewhere
        and not name.startswith("press/")  # reads back what it wrote itself, for the demo
        for place in look(walked(path))
    ]
    assert found == []


@pytest.mark.parametrize(
    ("look", "code"),
    [
        (reads, "from pathlib import Path\nx = Path('a').read_text('utf-8')\n"),
        (parses, "import json\nx = json.loads('{}')\n"),
        (sums, "import hashlib\n"),
        (flushes, "import os\nos.fsync(1)\n"),
    ],
)
def test_the_check_sees_a_second_door(look: Callable[[Iterable[ast.AST]], Iterator[str]], code: str) -> None:
    assert list(look(ast.walk(ast.parse(code))))
