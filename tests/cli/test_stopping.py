"""A wish to stop that comes at a bad moment is heeded all the same, and without a trace."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from sidekeep.cli.terminal.stopping import stopped_as_by_ctrl_c, watched


class Called:
    """Stands for what a library calls back: nothing can be raised out of it."""

    def __init__(self, is_broken: bool) -> None:
        self._is_broken = is_broken

    def __del__(self) -> None:
        if self._is_broken:
            raise ValueError("broken")
        signal.raise_signal(signal.SIGINT)


def test_a_wish_to_stop_that_a_library_swallows_is_heeded_and_prints_no_trace(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    printed: list[type[BaseException]] = []
    monkeypatch.setattr(sys, "unraisablehook", lambda found: printed.append(found.exc_type))
    before = sys.unraisablehook
    work = watched(lambda share, doing="": None)

    def asked_to_stop() -> None:
        with stopped_as_by_ctrl_c():
            work(0.1)
            del_at_once = Called(is_broken=False)
            del del_at_once
            work(0.2)

    with pytest.raises(KeyboardInterrupt):
        asked_to_stop()
    assert printed == []
    with stopped_as_by_ctrl_c():
        other = Called(is_broken=True)
        del other
    assert printed == [ValueError]
    assert sys.unraisablehook is before


WITH_A_THREAD_AT_WORK = """
import signal, sys, time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from sidekeep.cli import main
from sidekeep.cli.verbs import inputs

mark = Path(sys.argv.pop())

def work():
    time.sleep(3.0)
    mark.touch()

def run(options):
    ThreadPoolExecutor(1).submit(work)
    signal.raise_signal(signal.SIGINT)

inputs.run = run
main.program()
"""


def test_what_was_asked_to_stop_waits_for_no_thread(tmp_path: Path) -> None:
    """A kernel that is being compiled holds its thread for up to a minute, and the interpreter would wait for it."""
    mark = tmp_path / "went on"
    ended = subprocess.run(
        [sys.executable, "-c", WITH_A_THREAD_AT_WORK, "inputs", str(mark)], capture_output=True, text=True
    )
    assert ended.returncode == 2
    assert ended.stderr.startswith("sidekeep: stopped")
    assert not mark.exists()
