"""What was decided can be told, taken back and made again from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sidekeep.cli.main import main
from sidekeep.cli.verbs.shelf_choices import _TEXTS, change_text
from sidekeep.model import edits
from sidekeep.service.choices import edits as service
from sidekeep.shelf.record_folder import RecordFolder
from tests.service.test_edits import made_record, put_take


@pytest.fixture
def record(tmp_path: Path) -> RecordFolder:
    return made_record(tmp_path / "shelf" / "record")


def shelf(record: RecordFolder, *words: str) -> int:
    return main(["shelf", "--shelf", str(record.path.parent), *words])


def test_the_history_tells_every_change_and_undo_takes_back_the_newest(
    record: RecordFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    service.apply(record, {"kind": "move-mark", "side": "A", "track": 2, "edge": "start", "frame": 205_000})
    service.apply(record, {"kind": "retitle", "side": "B", "track": 1, "title": "Third Rail"})
    assert shelf(record, "history", "record") == 0
    told = capsys.readouterr().out.splitlines()
    assert [line.split("  ")[-1] for line in told[-2:]] == [
        "side A track 2: its start moved to frame 205000",
        "side B track 1: another title",
    ]
    assert shelf(record, "undo", "record") == 0
    assert shelf(record, "undo", "record") == 0
    capsys.readouterr()
    assert shelf(record, "undo", "record") == 2
    assert capsys.readouterr().err == "sidekeep: there is nothing to undo\n"
    assert service.choices(record).sides[0].tracks[1].start_frame == 200_000
    assert shelf(record, "redo", "record") == 0
    assert "side A track 2: its start moved to frame 205000" in capsys.readouterr().out
    assert service.choices(record).sides[0].tracks[1].start_frame == 205_000


def test_the_history_as_json_is_the_page_s(record: RecordFolder, capsys: pytest.CaptureFixture[str]) -> None:
    service.apply(record, {"kind": "notes", "text": "from the attic"})
    main(["shelf", "--shelf", str(record.path.parent), "--json", "history", "record"])
    entries = json.loads(capsys.readouterr().out)["entries"]
    assert entries == [service.entry_object(entry) for entry in service.history(record)]


def test_sides_and_takes_are_chosen(record: RecordFolder, capsys: pytest.CaptureFixture[str]) -> None:
    put_take(record, "B-2", "c" * 64, taken="2026-02-02")
    assert shelf(record, "use", "record", "b", "1") == 0
    assert service.choices(record).use == {"B": 1}
    assert shelf(record, "use", "record", "B", "1") == 0
    assert "it is so already" in capsys.readouterr().out
    assert shelf(record, "use", "record", "B", "7") == 2
    assert shelf(record, "swap", "record", "a", "b") == 0
    assert {take.folder: take.side for take in record.takes()}["takes/A-1"] == "B"
    assert "sides A and B swapped" in capsys.readouterr().out


def test_every_kind_of_change_has_words() -> None:
    kinds: set[str] = {edit.__struct_config__.tag for edit in edits.Edit.__args__}  # type: ignore[attr-defined]
    assert kinds - set(_TEXTS) == set()


@pytest.mark.parametrize("facts", [{}, {"side": None, "track": [1]}, {"side": "{0.__class__}"}])
def test_odd_facts_are_no_fault(facts: dict[str, Any]) -> None:
    entry = {"seq": 2, "of": None, "code": "move-mark", "facts": facts}
    assert change_text(entry, [])
    assert change_text({"seq": 3, "of": 2, "code": "undo", "facts": {}}, [entry])
