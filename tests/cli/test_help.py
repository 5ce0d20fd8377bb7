"""The command line's manners: quick help, one-line errors, exit codes 0 / 1 / 2."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from sidekeep.cli.main import VERBS, main
from sidekeep.errors import SidekeepError

SLOW = {f"scipy.{part}" for part in ("interpolate", "ndimage", "optimize", "signal", "stats")}
HEAVY = {"numpy", "scipy", "numba", "soundfile", "av", "rich", "soxr", "PIL", "mutagen", "sounddevice"}


@pytest.mark.parametrize("words", [["--help"], *([verb, "--help"] for verb in VERBS)])
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "sidekeep", *words],
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = {line.rpartition("|")[2].strip().partition(".")[0] for line in done.stderr.splitlines()}
    assert loaded & HEAVY == set()
    assert "usage: sidekeep" in done.stdout


def test_slow_parts_of_scipy_are_imported_where_they_are_used() -> None:
    """``scipy.signal`` alone takes longer to load than all the rest: every process that surveys or copies would wait for it."""
    package = Path(sys.modules["sidekeep"].__file__ or "").parent
    found = [
        f"{path.relative_to(package)}:{node.lineno}"
        for path in sorted(package.rglob("*.py"))
        for node in ast.parse(path.read_text("utf-8")).body
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in ([each.name for each in node.names] if isinstance(node, ast.Import) else [node.module])
        if name in SLOW
    ]
    assert found == []


def test_every_verb_has_a_module_and_a_sentence() -> None:
    folder = Path(sys.modules["sidekeep.cli.main"].__file__ or "").parent
    modules = {path.stem for path in (folder / "verbs").glob("*.py")} - {"__init__"}
    assert modules >= set(VERBS)
    assert {name for name in modules if name.partition("_")[0] not in VERBS} == set()
    assert all(len(sentence) > 20 for sentence in VERBS.values())


@pytest.mark.parametrize("words", [[], ["no-such-verb"], ["survey"], ["mend", "only-one"]])
def test_wrong_words_end_with_2(words: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2


@pytest.mark.parametrize("verb", ["survey", "mend"])
def test_a_missing_file_is_one_line(verb: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [str(tmp_path / "nothing.wav")] + ([str(tmp_path / "out.wav")] if verb == "mend" else [])
    assert main([verb, *words]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "nothing.wav" in error
    assert "Traceback" not in error


def test_debug_shows_the_trace(tmp_path: Path) -> None:
    with pytest.raises(SidekeepError, match=r"nothing\.wav"):
        main(["survey", "--debug", str(tmp_path / "nothing.wav")])
