"""``./run test``: what fails anywhere fails the whole. The programs it calls are stand-ins that end as they are told."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LOCK = "requirements-test.lock"
PROGRAMS = "ffprobe faad metaflac sox ps mpg123 mkvinfo pulseaudio pactl chromium dpkg node npm apt-get"
TOGETHER = {"ffmpeg": "ffprobe", "flac": "metaflac", "paplay": "pactl"}
"""Comes in one package with."""
EVERYWHERE = {"sha256sum", "sleep", "true", "sh", "umount", "mount"}
SYSTEM = (
    "sh cat cksum tr sed awk df dirname mkdir mktemp rm sort wc grep find cmp cp chmod nice uname xargs sleep"
)
"""What every system has and ``run`` calls."""
PYTHON = """#!/bin/sh
echo "$TMPDIR $*" >>asked
case "$*" in
    *"--pass crowd"*) echo crowd >>called; exit ${CROWD:-0} ;;
    *"--pass sound"*) echo sound >>called; exit ${SOUND:-0} ;;
    *dsp.compiling*) echo kernels >>called; exit 1 ;;
esac
"""

pytestmark = pytest.mark.skipif(os.name == "nt", reason="no POSIX shell on Windows")


def program(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    path.chmod(0o755)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A copy of ``run`` beside an environment that seems to be set up."""
    for name in ("run", LOCK, "pyproject.toml", "tests/web/types/package-lock.json"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, tmp_path / name)
    kept = tmp_path / ".cache/page-types"
    program(kept / "node_modules/.bin/tsc", "#!/bin/sh\nexit ${TSC:-0}\n")
    shutil.copy(ROOT / "tests/web/types/package-lock.json", kept)
    program(tmp_path / ".venv/bin/python", PYTHON)
    program(tmp_path / ".venv/bin/ruff", "#!/bin/sh\nexit ${RUFF:-0}\n")
    program(tmp_path / ".venv/bin/mypy", "#!/bin/sh\nexit ${MYPY:-0}\n")
    for name in PROGRAMS.split():
        program(tmp_path / "bin" / name, "#!/bin/sh\nexit 0\n")
    line = f"cat {LOCK} pyproject.toml | cksum | tr ' ' '-'"
    stamp = subprocess.run(["sh", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=True)
    (tmp_path / f".venv/.sidekeep-{LOCK}").write_text(f"{stamp.stdout.strip()}-{LOCK}")
    return tmp_path


def run(place: Path, *words: str, **ends: int) -> tuple[int, list[str]]:
    """Its exit code, and which passes were made."""
    environment = {**os.environ, **{name: str(code) for name, code in ends.items()}}
    environment["PATH"] = f"{place / 'bin'}{os.pathsep}{environment['PATH']}"
    ended = subprocess.run(["sh", "run", "test", *words], cwd=place, env=environment, capture_output=True)
    called = place / "called"
    return ended.returncode, sorted(called.read_text().split()) if called.exists() else []


def strings(tree: ast.AST) -> set[str]:
    found = (node.value for node in ast.walk(tree) if isinstance(node, ast.Constant))
    return {value for value in found if isinstance(value, str)}


def asked_for(path: Path) -> set[str]:
    """The outside programs that a file of tests looks for or calls by name."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if called in ("program", "shutil.which"):
                names |= {word for given in node.args for word in strings(given)}
            elif called in ("subprocess.run", "subprocess.Popen") and isinstance(node.args[0], ast.List):
                first = node.args[0].elts[0]
                names |= strings(first) if isinstance(first, ast.Constant) else set()
    return names


def test_every_program_that_a_test_wants_is_brought() -> None:
    """On a new machine nothing is there, and with CI=true a missing program fails its tests."""
    wanted: set[str] = set()
    for path in sorted((ROOT / "tests").rglob("*.py")):
        if path != Path(__file__):
            wanted |= asked_for(path)
    looked_for = set(re.findall(r"command -v ([\w-]+) ", (ROOT / "run").read_text("utf-8")))
    assert {"ffprobe", "sox", "mpg123", "mkvinfo"} <= wanted
    assert {TOGETHER.get(name, name) for name in wanted - EVERYWHERE} <= looked_for


@pytest.mark.parametrize(
    ("known", "brought"),
    [("chromium-headless-shell - old headless shell", "chromium-headless-shell"), ("", "chromium")],
)
def test_where_no_browser_is_there_the_smallest_that_does_is_brought(
    place: Path, monkeypatch: pytest.MonkeyPatch, known: str, brought: str
) -> None:
    """On a machine that has nothing but what every system has, and what the stand-ins are."""
    (place / "bin/chromium").unlink()
    program(place / "bin/id", "#!/bin/sh\necho 0\n")
    program(place / "bin/apt-cache", f"#!/bin/sh\nprintf '%s' '{known}'\n")
    program(place / "bin/apt-get", '#!/bin/sh\necho "$*" >>fetched\n')
    for name in SYSTEM.split():
        found = shutil.which(name)
        assert found is not None, name
        (place / "system" / name).parent.mkdir(exist_ok=True)
        (place / "system" / name).symlink_to(found)
    monkeypatch.setenv("PATH", str(place / "system"))
    assert run(place)[0] == 0
    update, install = (place / "fetched").read_text("utf-8").splitlines()
    assert update.startswith("update")
    assert install.split()[-1] == brought


@pytest.mark.parametrize("checker", ["RUFF", "MYPY", "TSC"])
def test_code_that_does_not_pass_its_checks_fails_before_any_test(place: Path, checker: str) -> None:
    code, called = run(place, **{checker: 1})
    assert code != 0
    assert set(called) <= {"kernels"}


def test_kernels_are_compiled_once_and_what_becomes_of_it_fails_nothing(place: Path) -> None:
    code, called = run(place)
    assert code == 0
    assert called.count("kernels") == 1


@pytest.mark.parametrize(
    ("crowd", "sound", "whole"),
    [(0, 0, 0), (1, 0, 1), (0, 1, 1), (1, 1, 1), (5, 0, 0), (0, 5, 0), (5, 5, 5), (5, 1, 1), (2, 0, 2)],
)
def test_both_passes_count(place: Path, crowd: int, sound: int, whole: int) -> None:
    """5: none of the tests asked for is of that kind (pytest's exit codes)."""
    code, called = run(place, CROWD=crowd, SOUND=sound)
    assert code == whole
    assert {"crowd", "kernels"} <= set(called)
    assert "sound" in called or crowd == 2  # what could not even begin ends the other pass, too


def test_the_first_fault_ends_it_where_that_is_wanted(place: Path) -> None:
    assert run(place, "-x", CROWD=1) == (1, ["crowd"])


def test_each_pass_writes_into_a_folder_of_its_own_that_is_gone_afterwards(place: Path) -> None:
    """Two passes that share one clear each other's files away."""
    assert run(place)[0] == 0
    asked = [line for line in (place / "asked").read_text("utf-8").splitlines() if "--pass" in line]
    folders = [line.partition(" --basetemp ")[2].split()[0] for line in asked]
    assert len(folders) == len(set(folders)) == 2
    for line, folder in zip(asked, folders, strict=True):
        scratch = Path(line.split()[0])
        assert Path(folder).parent == scratch
        assert not scratch.exists()


def test_what_a_killed_run_left_is_cleared_up_by_the_next(
    place: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only of a process that is gone, and not what is of this hour: where two machines share a folder, neither sees the other's."""
    roomy = tmp_path_factory.mktemp("roomy")
    monkeypatch.setenv("TMPDIR", str(roomy))
    with subprocess.Popen(["true"]) as gone:
        gone.wait()
    names = {
        "left": f"sidekeep-tests.{gone.pid}.AAAAAA",
        "running": f"sidekeep-tests.{os.getpid()}.BBBBBB",
        "fresh": f"sidekeep-tests.{gone.pid}.CCCCCC",
        "other": f"other-tests.{gone.pid}.DDDDDD",
    }
    for what, name in names.items():
        (roomy / name / "crowd").mkdir(parents=True)
        if what != "fresh":
            os.utime(roomy / name, (1.0e9, 1.0e9))
    assert run(place)[0] == 0
    assert {path.name for path in roomy.glob("*-tests.*")} == set(names.values()) - {names["left"]}


@pytest.mark.parametrize(
    ("typed", "told"), [(["./run"], "./run"), (["sh", "run"], "./run"), (["../place/run"], "../place/run")]
)
def test_the_demo_is_told_what_was_typed(tmp_path: Path, typed: list[str], told: str) -> None:
    """Who comes by ``run`` has no sidekeep on the path: what the demo says to type next must work as it stands."""
    folder = tmp_path / "place"
    folder.mkdir()
    for name in ("run", "requirements.lock", "pyproject.toml"):
        shutil.copy(ROOT / name, folder / name)
    program(folder / ".venv/bin/sidekeep", '#!/bin/sh\necho "$SIDEKEEP_TYPED $*"\n')
    line = "cat requirements.lock pyproject.toml | cksum | tr ' ' '-'"
    stamp = subprocess.run(["sh", "-c", line], cwd=folder, capture_output=True, text=True, check=True)
    (folder / ".venv/.sidekeep-requirements.lock").write_text(f"{stamp.stdout.strip()}-requirements.lock")
    ended = subprocess.run([*typed, "demo", "--open"], cwd=folder, capture_output=True, text=True, check=True)
    assert ended.stdout == f"{told} demo --open\n"
