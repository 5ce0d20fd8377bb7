"""Shared by all tests: one seed, one way to ask for an outside program, a home that is nobody's, two passes,
no finding without its sentence.

Most tests run side by side on all cores. What plays or hears through a (virtual) sound card, in real time, is marked
``device`` and has a pass of its own, two at a time: it waits more than it computes. ``./run test`` makes both passes at once,
the first one stepping back for the second (``nice``).
"""

from __future__ import annotations

import gc
import os
import shutil
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest.mock import patch

import hypothesis
import numpy as np
import pytest

from sidekeep.flow.ports import Audio
from sidekeep.model.finding import Finding
from sidekeep.service.comparing import page
from sidekeep.service.transfers import clips
from sidekeep.wording import findings as wording
from tests.outside import not_here

PASSES = ("all", "crowd", "sound")
BEGIN = (
    *("test_whole_record", "test_take_session", "test_turntable"),
    *("test_chosen_input", "test_take_ends_over_the_card"),
)
"""Files of the sound pass that begin. Two workers take two files each, in turn: the longest first."""

# The same examples at every run, here and anywhere else: a run that fails can be repeated, and none fails by chance.
# SIDEKEEP_RANDOM_EXAMPLES=1 draws others.
hypothesis.settings.register_profile("same", derandomize=True, database=None, deadline=None)
if not os.environ.get("SIDEKEEP_RANDOM_EXAMPLES"):
    hypothesis.settings.load_profile("same")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--pass",
        dest="test_pass",
        choices=PASSES,
        default="all",
        help="only what may run in a crowd, or only what is heard through a sound card",
    )


def pytest_configure() -> None:
    """A shell lets what it starts in the background ignore Ctrl+C, and all that is started by it too: not here."""
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """What is heard through a sound card lies in a few files; reading all the others for it takes longer than some of its tests."""
    if config.getoption("test_pass") != "sound" or collection_path.suffix != ".py":
        return None
    if any(Path(argument.partition("::")[0]).resolve() == collection_path for argument in config.args):
        return None
    is_test = collection_path.name.startswith("test_")
    return True if is_test and "mark.device" not in collection_path.read_text("utf-8") else None


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """``./run`` hears once more, alone on the machine, what failed beside the crowd and lives in real time."""
    told = os.environ.get("SIDEKEEP_FAILED_TESTS")
    if told is None or not report.failed or "PYTEST_XDIST_WORKER" in os.environ:
        return
    in_real_time = "device" in report.keywords or report.nodeid.startswith("tests/web/browser/")
    with Path(told).open("a", encoding="utf-8") as lines:
        lines.write(f"{'again' if in_real_time else 'failed'} {report.nodeid}\n")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Keep the tests of one pass."""
    chosen = config.getoption("test_pass")
    if chosen == "all":
        return
    sound = [item for item in items if item.get_closest_marker("device") is not None]
    crowd = [item for item in items if item.get_closest_marker("device") is None]
    sound.sort(key=lambda item: BEGIN.index(item.path.stem) if item.path.stem in BEGIN else len(BEGIN))
    items[:], others = (sound, crowd) if chosen == "sound" else (crowd, sound)
    config.hook.pytest_deselected(items=others)


def pytest_collection_finish() -> None:
    """The tests themselves, and all that is loaded, stay to the end: they need not be looked through for rubbish again and again."""
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def nobodys_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Settings and rescued takes of a person are neither read nor written by a test."""
    home = tmp_path_factory.mktemp("home")
    named = {"XDG_CONFIG_HOME": home / "config", "XDG_DATA_HOME": home / "data", "APPDATA": home / "config"}
    with patch.dict(os.environ, {name: str(path) for name, path in named.items()}):
        yield home


@pytest.fixture(scope="session", autouse=True)
def _short_listens() -> Iterator[None]:
    """A report's listens last six seconds, and to encode them is a third of the work on a small record: here only their first
    half second is. What a listen is like is asked in ``tests/service/test_listens.py``."""
    whole = clips.to_mp3

    def beginning(audio: Audio, rate_hz: int, gain_db: float) -> bytes:
        return whole(audio[: rate_hz // 2], rate_hz, gain_db)

    with patch.object(clips, "to_mp3", beginning), patch.object(page, "to_mp3", beginning):
        yield


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
            not_here(f"{name} is not installed")
        return path

    return find


@pytest.fixture(autouse=True)
def _every_finding_has_its_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """A finding that is told without the facts its sentence needs is a fault, wherever it is raised."""

    def bare(finding: Finding) -> str:
        raise AssertionError(f"{finding.kind} has no sentence for {dict(finding.facts)}")

    monkeypatch.setattr(wording, "_bare", bare)
