"""Every action of ``sidekeep shelf`` once through the front door: what it prints, as text and as JSON, and its exit code."""

from __future__ import annotations

import argparse
import json
import shutil
from pathlib import Path

import pytest

from sidekeep.cli.main import build_parser, main
from sidekeep.service.choices import edits as service
from sidekeep.shelf.record_folder import RecordFolder
from tests.service.test_edits import made_record, put_take

RUNS: dict[str, tuple[list[str], str, str]] = {
    "list": (["list", "orchard"], "The Orchard Hours (1974), ", "records"),
    "plan": (["plan", "sleeve.txt"], "planned: ", "folder"),
    "rebuild": (["rebuild"], "1 record found on ", "records"),
    "repair": (["repair"], "nothing needs repair", "takes"),
    "again": (["again"], "record, side B: last taken 2025-01-01", "sides"),
    "styluses": (["styluses", "fine line", "--hours-before", "12"], "fine line: 12.0 h", "styluses"),
    "history": (["history", "record"], "side A track 1: another title", "entries"),
    "undo": (["undo", "record"], "side A track 1: another title", "entry"),
    "redo": (["redo", "record"], "side A track 1: another title", "entry"),
    "swap": (["swap", "record", "A", "B"], "sides A and B swapped", "entry"),
    "use": (["use", "record", "B", "2"], "side B: take 2 is used", "entry"),
}
"""Words of the action, part of the text it prints, and the main field of its JSON."""


def actions() -> list[str]:
    """The actions the parser knows."""
    verbs = next(one for one in build_parser("shelf")._actions if isinstance(one, argparse._SubParsersAction))
    shelf = verbs.choices["shelf"]
    return list(next(one for one in shelf._actions if isinstance(one, argparse._SubParsersAction)).choices)


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> RecordFolder:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sleeve.txt").write_text("Nan Okoro - Salt Tables (1970)\nSide A\nA1 Lamp 3:02\n")
    made = made_record(tmp_path / "shelf" / "record")
    put_take(made, "B-2", "c" * 64)
    for facts in made.path.glob("takes/*/take.json"):
        facts.write_text(facts.read_text().replace('"2026-01-01"', '"2025-01-01T20:00:00+00:00"'))
    service.apply(made, {"kind": "retitle", "side": "A", "track": 1, "title": "Third Rail"})
    return made


def test_no_action_was_left_out() -> None:
    assert sorted(actions()) == sorted(RUNS)


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
@pytest.mark.parametrize("action", RUNS)
def test_an_action_is_done_and_told(
    action: str, as_json: bool, record: RecordFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    if action == "redo":
        service.undo(record)
    words, text, field = RUNS[action]
    options = ["--shelf", str(record.path.parent), *(["--json"] if as_json else [])]
    assert main(["shelf", *options, *words]) == 0
    printed, complaint = capsys.readouterr()
    assert complaint == ""
    if as_json:
        assert field in json.loads(printed)
    else:
        assert text in printed


def test_a_record_is_planned_once_unless_another_copy_is_meant(
    record: RecordFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    shelf = record.path.parent
    plan = ["shelf", "--shelf", str(shelf), "plan", "sleeve.txt"]
    assert [main(plan), main(plan)] == [0, 0]
    first, second, why = capsys.readouterr().out.splitlines()
    assert second.partition(": ")[2] == first.removeprefix("planned: ")
    assert second.startswith("on the shelf already: ")
    assert "--another" in why
    assert len(list(shelf.glob("Nan Okoro*"))) == 1
    assert main([*plan, "--another"]) == 0
    assert len(list(shelf.glob("Nan Okoro*"))) == 2
    capsys.readouterr()
    assert main(["shelf", "--shelf", str(shelf), "list", "okoro"]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert sorted(line.partition(" ")[2].strip() for line in listed) == [
        "Nan Okoro - Salt Tables (1970) [2], 1 track",
        "Nan Okoro - Salt Tables (1970), 1 track",
    ]


def test_a_record_whose_folder_is_gone_is_planned_anew(record: RecordFolder) -> None:
    shelf = record.path.parent
    plan = ["shelf", "--shelf", str(shelf), "plan", "sleeve.txt"]
    assert main(plan) == 0
    (planned,) = shelf.glob("Nan Okoro*")
    shutil.rmtree(planned)
    assert main(plan) == 0
    assert planned.is_dir()


@pytest.mark.parametrize("action", RUNS)
def test_json_and_the_shelf_may_be_said_after_the_action_too(
    action: str, record: RecordFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    if action == "redo":
        service.undo(record)
    words, _, field = RUNS[action]
    assert main(["shelf", *words, "--json", "--shelf", str(record.path.parent)]) == 0
    assert field in json.loads(capsys.readouterr().out)
