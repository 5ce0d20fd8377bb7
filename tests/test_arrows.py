"""The architecture as an allow-list: the arrows of docs/architecture.md, kept true."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from tests.reading import ROOT, walked

LOW = {"units", "errors", "__version__"}
OUTSIDE = LOW | {"model", "flow"}
MAY_IMPORT = {
    "units": set(),
    "errors": set(),
    "fonts": set(),
    "model": LOW,
    "dsp": LOW,
    "wording": LOW | {"model"},
    "flow": LOW | {"model", "wording", "dsp"},
    "shelf": OUTSIDE | {"files"},
    "devices": OUTSIDE | {"dsp", "files"},
    "files": OUTSIDE,
    "copies": OUTSIDE | {"dsp", "files", "fonts"},
    "service": OUTSIDE | {"wording", "dsp", "shelf", "devices", "files", "copies", "fonts"},
    "press": OUTSIDE | {"dsp", "files", "shelf"},
    "web": LOW | {"model", "service", "fonts"},
    "cli": LOW | {"model", "wording", "flow", "service", "web", "press"},
    "__init__": {"errors", "wording"},
    "__main__": {"cli"},
}
DSP_MAY_USE = {"numpy", "scipy", "numba", "llvmlite", "soxr"}
DSP_ROOMS = {
    "kernel_cache": set(),
    "kernel": {"kernel_cache"},
    "compiling": {"kernel", "kernel_cache", "impulses"},
    "grid": set(),
    "impulses": {"kernel", "noise"},
    "turn": {"kernel", "noise"},
    "level": {"kernel", "grid"},
    "noise": {"kernel"},
    "tracks": {"kernel"},
    "output": {"kernel", "grid"},
    "alignment": {"kernel"},
}
"""What the rooms of ``dsp`` may see of each other."""
INNER_ROOMS = {
    "cli": {
        "terminal": set(),
        "texts": {"terminal"},
        "session": {"terminal", "texts"},
        "verbs": {"terminal", "texts", "session"},
        "": {"terminal", "texts"},
    },
    "files": {
        "": set(),
        "wave": {""},
        "pictures": {""},
        "reading": {"", "wave"},
        "codecs": {"", "wave"},
        "tags": {"", "wave", "codecs", "pictures"},
        "writing": {"", "wave", "codecs", "reading"},
    },
    "press": {
        "disc": set(),
        "music": set(),
        "sleeve": set(),
        "scoring": {"disc"},
        "": {"disc", "music", "sleeve", "scoring"},
    },
    "shelf": {"sleeve": set(), "surveys": {""}, "": {"sleeve"}, "choices": {"", "sleeve"}, "index": {""}},
    "flow": {
        "measuring": {""},
        "": {"measuring"},
        "tracks": {""},
        "needle": {"", "measuring"},
        "passes": {"", "measuring", "tracks"},
        "comparison": {"", "needle", "passes"},
        "live": {"", "tracks", "needle", "passes"},
    },
    "copies": {
        "": set(),
        "tracks": set(),
        "kinds": set(),
        "kept": {"tracks"},
        "sheets": {"tracks"},
        "cd": {"tracks", "kinds"},
        "master": {"", "tracks", "kept"},
        "plan": {"", "tracks", "kinds", "sheets", "cd", "master"},
        "run": {"", "tracks", "kinds", "kept", "sheets", "master", "plan"},
        "report": {"", "tracks", "kinds", "kept", "plan", "run"},
    },
    "service": {
        "choices": set(),
        "shelf": {"choices"},
        "": {"choices", "shelf"},
        "recording": {"", "shelf"},
        "transfers": {"", "choices", "shelf"},
        "comparing": {"choices", "shelf", "transfers"},
        "live": {"choices", "shelf", "transfers"},
        "house": {"", "choices", "shelf", "recording", "transfers", "comparing", "live"},
    },
    "flow/comparison": {
        "laying": set(),
        "differences": {"laying"},
        "marks": {"laying"},
        "": {"laying", "differences", "marks"},
        "told": {"", "laying", "differences", "marks"},
    },
    "service/house": {
        "": {"takes", "records", "jobs", "turntable"},
        "takes": {""},
        "records": {"", "takes"},
        "jobs": {""},
        "turntable": {""},
    },
}
"""What the rooms within a room may see of each other; ``""`` is what lies right in it. Where what lies right in a room is partly
below its rooms and partly above them, no circle of modules is allowed all the same."""


@cache
def imports(path: Path, root: Path) -> list[tuple[int, list[str]]]:
    """Line and dotted name, in parts, of all that a module imports."""
    return list(_imports(path, root))


def _imports(path: Path, root: Path) -> Iterator[tuple[int, list[str]]]:
    here = path.relative_to(root).with_suffix("").parts
    for node in walked(path):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, name.name.split(".")) for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level:
            stem = [root.name, *here[: len(here) - node.level]]
            names = [node.module.split(".")] if node.module else [[name.name] for name in node.names]
            yield from ((node.lineno, stem + name) for name in names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            parts = node.module.split(".")
            if len(parts) == 1 and parts[0] == root.name:
                yield from ((node.lineno, [root.name, name.name]) for name in node.names)
            else:
                yield node.lineno, parts


def faults(root: Path) -> Iterator[str]:
    import sys

    for path in sorted(root.rglob("*.py")):
        room = path.relative_to(root).parts[0].removesuffix(".py")
        for line, parts in imports(path, root):
            inside = parts[0] == root.name and len(parts) > 1
            if inside and parts[1] != room and parts[1] not in MAY_IMPORT[room]:
                yield f"{path.relative_to(root)}:{line}: {room} may not import {parts[1]}"
            if room == "dsp" and inside and parts[1] == "dsp" and len(parts) > 2:
                inner = path.relative_to(root).parts[1].removesuffix(".py")
                if parts[2] != inner and parts[2] not in DSP_ROOMS.get(inner, set()):
                    yield f"{path.relative_to(root)}:{line}: dsp.{inner} may not import dsp.{parts[2]}"
            if (
                room == "dsp"
                and parts[0] != root.name
                and parts[0] not in sys.stdlib_module_names | DSP_MAY_USE
            ):
                yield f"{path.relative_to(root)}:{line}: dsp may not use {parts[0]}"


def inner_faults(root: Path) -> Iterator[str]:
    """Arrows between the rooms within a room that point the wrong way."""
    for room, allowed in INNER_ROOMS.items():
        place = root / room
        depth = len(Path(room).parts)
        for path in sorted(place.rglob("*.py")):
            inside = path.relative_to(place).parts[:-1]
            here = inside[0] if inside else ""
            for line, parts in imports(path, root):
                if tuple(parts[: depth + 1]) != (root.name, *Path(room).parts) or len(parts) < depth + 2:
                    continue
                there = parts[depth + 1] if (place / parts[depth + 1]).is_dir() else ""
                if there != here and there not in allowed[here]:
                    yield f"{path.relative_to(root)}:{line}: {room}/{here} may not import {room}/{there}"


def circles(root: Path) -> list[list[str]]:
    """Modules that need each other in a circle, however the import is hidden: in a function, or for types only."""
    known = {
        ".".join((root.name, *path.relative_to(root).with_suffix("").parts)) for path in root.rglob("*.py")
    }
    needs: dict[str, set[str]] = {}
    for path in root.rglob("*.py"):
        name = ".".join((root.name, *path.relative_to(root).with_suffix("").parts))
        found = set()
        for node in walked(path):
            if isinstance(node, ast.ImportFrom) and node.module:
                found |= {node.module, *(f"{node.module}.{each.name}" for each in node.names)}
            elif isinstance(node, ast.Import):
                found |= {each.name for each in node.names}
        needs[name] = (found & known) - {name}
    # What needs nothing that is left is in no circle, nor is what nothing that is left needs.
    while True:
        wanted = set().union(*needs.values()) if needs else set()
        free = {name for name, others in needs.items() if not others & needs.keys() or name not in wanted}
        if not free:
            return [[name, *sorted(others & needs.keys())] for name, others in sorted(needs.items())]
        needs = {name: others for name, others in needs.items() if name not in free}


def test_imports_go_one_way() -> None:
    assert list(faults(ROOT)) == []
    assert list(inner_faults(ROOT)) == []


def test_the_command_line_does_not_see_the_house() -> None:
    seen = [
        f"{path.relative_to(ROOT)}:{line}"
        for path in sorted((ROOT / "cli").rglob("*.py"))
        for line, parts in imports(path, ROOT)
        if parts[:3] == ["sidekeep", "service", "house"]
    ]
    assert seen == []


def test_no_modules_need_each_other_in_a_circle() -> None:
    assert circles(ROOT) == []


def test_the_check_sees_a_circle_and_a_wrong_arrow_within_a_room(tmp_path: Path) -> None:
    root = tmp_path / "sidekeep"
    (root / "flow" / "live").mkdir(parents=True)
    (root / "flow" / "cut.py").write_text("def f():\n    from sidekeep.flow.live.news import x\n")
    (root / "flow" / "live" / "news.py").write_text("from sidekeep.flow import survey\n")
    (root / "flow" / "survey.py").write_text(
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from sidekeep.flow.cut import f\n"
    )
    (root / "flow" / "free.py").write_text("from sidekeep.flow.cut import f\n")
    assert [each[0] for each in circles(root)] == [
        "sidekeep.flow.cut",
        "sidekeep.flow.live.news",
        "sidekeep.flow.survey",
    ]
    assert list(inner_faults(root)) == ["flow/cut.py:2: flow/ may not import flow/live"]


@pytest.mark.parametrize(
    ("room", "code", "fault"),
    [
        (
            "dsp/tracks",
            "from sidekeep.dsp.impulses import extent\n",
            "dsp.tracks may not import dsp.impulses",
        ),
        ("dsp/level", "from sidekeep.model.audio import AudioFormat\n", "dsp may not import model"),
        ("dsp", "def f():\n    import soundfile\n", "dsp may not use soundfile"),
        ("flow", "from sidekeep.files import reader\n", "flow may not import files"),
        ("model", "from sidekeep import service\n", "model may not import service"),
    ],
)
def test_the_check_sees_a_wrong_arrow(tmp_path: Path, room: str, code: str, fault: str) -> None:
    root = tmp_path / "sidekeep"
    (root / room).mkdir(parents=True)
    (root / room / "x.py").write_text(code)
    assert [fault in found for found in faults(root)] == [True]


def test_no_file_has_grown_past_reading() -> None:
    long = {
        str(path.relative_to(ROOT)): count
        for path in ROOT.rglob("*.py")
        if (count := len(path.read_text("utf-8").splitlines())) > 480
    }
    assert long == {}
