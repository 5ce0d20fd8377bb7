"""What goes on beside a session at a terminal."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from sidekeep.cli.main import main
from sidekeep.cli.session import beside as take_beside
from sidekeep.cli.session.beside import Beside


class Told:
    """Stands for the follower: tells what it is given."""

    def __init__(self, shelf: Path, *, kinds: Any = ()) -> None:
        self.events: list[dict[str, Any]] = []
        self.ended = False

    def news(self) -> list[dict[str, Any]]:
        events, self.events = self.events, []
        return events

    def end(self) -> None:
        self.ended = True


SETTLED = {
    "code": "live-settled", "side": "A", "take": "takes/A-1", "at_frame": 9,
    "facts": {"tracks": 5, "repairs": 312, "findings": 0},
}  # fmt: skip
LEVEL = {
    "code": "live-level",
    "side": "A",
    "take": "takes/A-1",
    "at_frame": 9,
    "facts": {"sample_peak_dbfs": -200.0},
}


@pytest.mark.parametrize("machine", [False, True])
def test_a_person_gets_lines_and_a_machine_everything(
    machine: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(take_beside, "EveningFollower", Told)
    notes: list[str] = []
    with Beside(tmp_path, machine=machine) as beside:
        told = beside.follower
        assert isinstance(told, Told)
        told.events += [LEVEL, SETTLED]
        beside.hear(notes.append)
    assert told.ended
    printed = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert printed == ([LEVEL, SETTLED] if machine else [])
    assert notes == ([] if machine else ["side A is surveyed: 5 tracks, 312 repairs"])


def test_a_kind_that_is_none_is_refused_before_anything_is_recorded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "sleeve.txt").write_text(
        "Marrow Lane - The Orchard Hours (1974)\nSide A\nA1 Dew on the Crates\n"
    )
    words = ["take", str(tmp_path / "sleeve.txt"), "A", "--copies", "wax", "--shelf", str(tmp_path / "shelf")]
    assert main(words) == 2
    assert "wax" in capsys.readouterr().err
    assert not (tmp_path / "shelf").exists()


class Survey:
    """A survey that needs a number of waits."""

    def __init__(self, waits: int, *, dies: bool = False) -> None:
        self.waits, self.dies = waits, dies

    is_settled = False

    def settle(self, wait_s: float) -> bool:
        self.waits -= 1
        if not self.dies:
            time.sleep(wait_s)
        return self.waits <= 0


@pytest.mark.parametrize(("waits", "dies", "told"), [(1, False, 0), (2, False, 1), (2, True, 0)])
def test_a_survey_that_takes_long_says_why(
    waits: int, dies: bool, told: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It gives way to whatever else the machine has to do: who waits a hundred seconds wants to know."""
    monkeypatch.setattr(take_beside, "EveningFollower", Told)
    monkeypatch.setattr(take_beside, "SOON_S", 0.01)
    monkeypatch.setattr(take_beside, "SETTLE_S", 0.02)
    beside = Beside(tmp_path)
    beside.follower.survey = Survey(waits, dies=dies)  # type: ignore[assignment]
    notes: list[str] = []
    beside.settle(notes.append)
    assert notes[0] == "surveying the last side"
    assert [("busy with something else" in note) for note in notes[1:]] == [True] * told
