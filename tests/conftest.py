"""Shared by all tests: one seed, one way to ask for an outside program, a home that is nobody's, two passes,
no finding without its sentence.

Most tests may run side by side; a test marked ``alone`` hears, plays or watches in real time, or is judged by what a
cancelled process leaves, and gets the machine to itself. ``./run test`` makes both passes.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from sidekeep.model.finding import Finding
from sidekeep.wording import findings as wording

PASSES = ("all", "shared", "alone")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--machine",
        choices=PASSES,
        default="all",
        help="run only the tests that may share the machine, or only those marked alone",
    )


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Keep the tests of one pass. A sound card is heard and a page is watched in real time: these are alone always."""
    for item in items:
        if item.get_closest_marker("device") is not None or "chromium" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.alone)
    chosen = config.getoption("--machine")
    if chosen == "all":
        return
    alone = [item for item in items if item.get_closest_marker("alone") is not None]
    shared = [item for item in items if item.get_closest_marker("alone") is None]
    items[:], others = (alone, shared) if chosen == "alone" else (shared, alone)
    config.hook.pytest_deselected(items=others)


@pytest.fixture(scope="session", autouse=True)
def nobodys_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Settings and rescued takes of a person are neither read nor written by a test."""
    home = tmp_path_factory.mktemp("home")
    named = {"XDG_CONFIG_HOME": home / "config", "XDG_DATA_HOME": home / "data", "APPDATA": home / "config"}
    before = {name: os.environ.get(name) for name in named}
    os.environ.update({name: str(path) for name, path in named.items()})
    yield home
    for name, value in before.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same at every run."""
    return np.random.default_rng(20_261_125)


@pytest.fixture
def program() -> Callable[[str], str]:
    """Path of an outside program; skips where it is missing, fails where CI promised it."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            reason = f"{name} is not installed"
            if os.environ.get("CI") == "true":
                pytest.fail(reason)
            pytest.skip(reason)
        return path

    return find


@pytest.fixture(autouse=True)
def _every_finding_has_its_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """A finding that is told without the facts its sentence needs is a fault, wherever it is raised."""

    def bare(finding: Finding) -> str:
        raise AssertionError(f"{finding.kind} has no sentence for {dict(finding.facts)}")

    monkeypatch.setattr(wording, "_bare", bare)
