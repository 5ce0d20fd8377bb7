"""Every way to end an evening at a terminal ends the session and waits for it; every key counts, and each is heard once."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sidekeep.cli.main import main

pytestmark = pytest.mark.skipif(os.name == "nt", reason="terminals of this kind are not there on Windows")

SCRIPT = """
import json, os, queue, sys, time
def hook(*a):
    import traceback
    with open(sys.argv[1] + ".err", "w") as f: traceback.print_exception(*a, file=f)
sys.excepthook = hook
from types import SimpleNamespace
from sidekeep.cli.session.run import take_at_terminal
from sidekeep.cli.texts.take import Teller

class Session:
    '''Stands for the session: keeps what it is asked, and needs a moment to close its take.'''
    options = SimpleNamespace(sides=("A", "B"))
    def __init__(self):
        self.acts = queue.Queue()
    def act(self, act):
        self.acts.put(act)
    def run(self):
        os.write(1, b"ready\\n")
        done = []
        while not done or done[-1][0] != "stop":
            act = self.acts.get(timeout=120.0)
            done.append((act.do, act.side, act.why))
        time.sleep(0.5)
        with open(sys.argv[1], "w") as file:
            json.dump(done, file)
        return []

take_at_terminal(Session(), Teller(machine=True))
"""


OWN_TERMINAL = """
import fcntl, os, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.executable, [sys.executable, *sys.argv[1:]])
"""


class Terminal:
    """A program on a terminal of its own, which it controls: closing it hangs up. Nothing of ours is forked, whatever threads we have."""

    def __init__(self, *arguments: str) -> None:
        self.screen, program_side = pty.openpty()
        self._process = subprocess.Popen(
            [sys.executable, "-c", OWN_TERMINAL, *arguments],
            stdin=program_side,
            stdout=program_side,
            stderr=program_side,
            start_new_session=True,
        )
        os.close(program_side)
        self.pid = self._process.pid
        self.text = ""

    def wait_for(self, pattern: str, seconds: float = 60.0) -> None:
        """What it says; figures that jump are told as a pattern of all that will do."""
        end = time.monotonic() + seconds
        while not re.search(pattern, self.text):
            assert time.monotonic() < end, f"{pattern!r} did not come: {self.text[-4000:]}"
            if select.select([self.screen], [], [], 0.1)[0]:
                self.text += os.read(self.screen, 65_536).decode("utf-8", "replace")

    def leave(self, seconds: float = 60.0) -> int:
        """Its exit code; what it still says is read, or it would wait for a reader."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            code = self._process.poll()
            while self._read_on():
                pass
            if code is not None:
                return code
            time.sleep(0.05)
        self._process.kill()
        self._process.wait()
        raise AssertionError("it did not end")

    def _read_on(self) -> bool:
        """Whether there was more to read. Where all ends of a terminal are closed, reading it is an error."""
        if self.screen < 0 or not select.select([self.screen], [], [], 0.0)[0]:
            return False
        try:
            said = os.read(self.screen, 65_536)
        except OSError:
            return False
        self.text += said.decode("utf-8", "replace")
        return bool(said)

    def close(self) -> None:
        """As when its window is closed."""
        os.close(self.screen)
        self.screen = -1


@pytest.fixture
def begun(tmp_path: Path) -> tuple[Terminal, Path]:
    (tmp_path / "script.py").write_text(SCRIPT)
    terminal = Terminal(str(tmp_path / "script.py"), str(tmp_path / "acts.json"))
    terminal.wait_for("ready")
    return terminal, tmp_path / "acts.json"


def test_keys_typed_together_all_count(begun: tuple[Terminal, Path]) -> None:
    terminal, acts = begun
    os.write(terminal.screen, b"sEa?\x1b[Akdq")
    assert terminal.leave() == 0
    done = json.loads(acts.read_text())
    # An arrow key is no letter: its last one must not put anything aside.
    assert [what for what, _, _ in done] == ["begin", "end", "again", "keep", "discard", "stop"]


@pytest.mark.parametrize(
    ("number", "why"), [(signal.SIGINT, "key"), (signal.SIGTERM, "signal"), (signal.SIGHUP, "signal")]
)
def test_signals_end_the_evening_and_wait_for_its_end(
    begun: tuple[Terminal, Path], number: int, why: str
) -> None:
    terminal, acts = begun
    os.kill(terminal.pid, number)
    assert terminal.leave() == 0
    assert json.loads(acts.read_text()) == [["stop", "", why]]


def test_an_evening_that_is_to_outlive_its_terminal_does(tmp_path: Path) -> None:
    """As under ``nohup``: the hangup ended it."""
    script = f"import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n{SCRIPT}"
    (tmp_path / "script.py").write_text(script)
    terminal = Terminal(str(tmp_path / "script.py"), str(tmp_path / "acts.json"))
    terminal.wait_for("ready")
    os.kill(terminal.pid, signal.SIGHUP)
    time.sleep(0.5)
    os.kill(terminal.pid, signal.SIGINT)
    assert terminal.leave() == 0
    assert json.loads((tmp_path / "acts.json").read_text()) == [["stop", "", "key"]]


def test_a_second_signal_does_not_cut_the_closing_short(begun: tuple[Terminal, Path]) -> None:
    terminal, acts = begun
    for _ in range(3):
        os.kill(terminal.pid, signal.SIGINT)
        time.sleep(0.1)
    assert terminal.leave() == 0
    assert json.loads(acts.read_text())[0] == ["stop", "", "key"]


def test_a_closed_window_ends_the_evening_and_waits_for_its_end(begun: tuple[Terminal, Path]) -> None:
    terminal, acts = begun
    terminal.close()
    assert terminal.leave() == 0, Path(f"{acts}.err").read_text()
    assert json.loads(acts.read_text()) == [["stop", "", "signal"]]


def test_keys_alone_need_a_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "sleeve.txt").write_text("Marrow Lane - The Orchard Hours (1974)\nSide A\nA1 Dew\n")
    words = ["take", str(tmp_path / "sleeve.txt"), "A", "--by-key", "--shelf", str(tmp_path / "shelf")]
    assert main(words) == 2
    assert "needs a terminal" in capsys.readouterr().err
    assert not (tmp_path / "shelf").exists()


@pytest.mark.parametrize("seconds", ["nan", "inf", "-1", "0", "soon"])
def test_seconds_are_a_number_above_nothing(seconds: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["gauge", "--seconds", seconds])
    assert ended.value.code == 2
    assert "must be a number of seconds above 0" in capsys.readouterr().err


SLOW_VERB = """
import os, sys, time
from sidekeep.cli import main
from sidekeep.cli.verbs import adopt
def run(options):
    from sidekeep.cli.terminal.output import progress_bar
    with progress_bar("adopting", quiet=options.json) as progress:
        progress(0.43, "adopting side-A.wav")
        try:
            os.write(1, b"ready\\n")
            time.sleep(60.0)
        finally:
            open(sys.argv[1], "w").close()
    return 0
adopt.run = run
sys.exit(main.main(["adopt", *sys.argv[2:]]))
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("more", [(), ("--json",)])
def test_whatever_ends_a_verb_it_clears_away_and_says_how_far_it_came(
    number: int, more: tuple[str, ...], tmp_path: Path
) -> None:
    (tmp_path / "slow.py").write_text(SLOW_VERB)
    terminal = Terminal(str(tmp_path / "slow.py"), str(tmp_path / "cleared"), "side-A.wav", *more)
    terminal.wait_for("ready")
    os.kill(terminal.pid, number)
    assert terminal.leave() == 2
    assert (tmp_path / "cleared").exists()
    said = " ".join(terminal.text.split())
    assert (
        "stopped at 43 %, adopting side-A.wav; no half-written file was left behind (takes that are" in said
    )
    assert said.endswith("the same command again goes on)")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("then", ['progress(0.44, "on")', 'raise RuntimeError("no compiled object yet")'])
def test_a_library_that_swallows_the_wish_to_stop_does_not_undo_it(
    number: int, then: str, tmp_path: Path
) -> None:
    """As the compiler of the kernels does, and fails afterwards."""
    swallowing = f"        except KeyboardInterrupt:\n            {then}\n        finally:"
    (tmp_path / "slow.py").write_text(SLOW_VERB.replace("        finally:", swallowing))
    terminal = Terminal(str(tmp_path / "slow.py"), str(tmp_path / "cleared"), "side-A.wav")
    terminal.wait_for("ready")
    os.kill(terminal.pid, number)
    assert terminal.leave() == 2
    said = " ".join(terminal.text.split())
    assert "stopped at 43 %, adopting side-A.wav; no half-written" in said
    assert "something went wrong" not in said


def test_a_signal_that_is_to_be_ignored_is(tmp_path: Path) -> None:
    script = f"import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n{SLOW_VERB}".replace(
        "60.0", "1.0"
    )
    (tmp_path / "slow.py").write_text(script)
    terminal = Terminal(str(tmp_path / "slow.py"), str(tmp_path / "cleared"), "side-A.wav")
    terminal.wait_for("ready")
    os.kill(terminal.pid, signal.SIGHUP)
    assert terminal.leave() == 0
    assert "stopped" not in terminal.text


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_page_is_closed_in_order_whatever_ends_it(number: int, tmp_path: Path) -> None:
    words = ["open", "--shelf", str(tmp_path / "shelf"), "--port", "0", "--no-browser"]
    terminal = Terminal("-m", "sidekeep", *words)
    terminal.wait_for("Ctrl.C here ends it")
    os.kill(terminal.pid, number)
    assert terminal.leave(240.0) == 0


def test_who_does_not_wait_for_the_survey_still_has_the_copies(tmp_path: Path) -> None:
    """Ctrl+C while the last side is surveyed is meant for the waiting alone."""
    (tmp_path / "slow.py").write_text(
        """
import os, sys, time
from sidekeep.cli import main
from sidekeep.cli.session import beside
from sidekeep.cli.verbs import adopt
def run(options):
    from sidekeep.cli.terminal.output import progress_bar
    evening = beside.Beside(None)
    evening.follower.survey.settle = lambda seconds: (os.write(1, b"ready\\n"), time.sleep(60.0))
    evening.settle(print)
    with progress_bar("writing copies", quiet=True) as progress:
        progress(1.0, "written")
    print("copies are written")
    return 0
adopt.run = run
sys.exit(main.main(["adopt", "x.wav"]))
"""
    )
    terminal = Terminal(str(tmp_path / "slow.py"))
    terminal.wait_for("ready")
    os.kill(terminal.pid, signal.SIGINT)
    assert terminal.leave() == 0
    assert "copies are written" in terminal.text
