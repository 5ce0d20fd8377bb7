"""What goes on beside a session at a terminal."""

from __future__ import annotations

import json
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
