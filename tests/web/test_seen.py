"""What a person has seen is kept with the record: it is unsure on no page any more, and can be taken back."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sidekeep.errors import ParameterError
from sidekeep.flow.passes.survey import Survey
from sidekeep.model.finding import Finding
from sidekeep.service.choices.edits import apply, undo
from sidekeep.service.house.house import House
from sidekeep.service.house.records import summary_view
from sidekeep.service.house.takes import held_takes

HOT = Finding(
    kind="level-hot", start_frame=50_000, stop_frame=50_010, severity="look", facts={"true_peak_dbtp": -0.4}
)
HUM = Finding(kind="hum", start_frame=0, stop_frame=10, facts={"hum_hz": 50.0, "hum_dbfs": -60.0})


@pytest.fixture
def house(full_shelf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The small record with a finding on every take."""
    shutil.copytree(full_shelf, tmp_path / "shelf")
    whole = held_takes.HeldTake.survey

    def survey(self: held_takes.HeldTake) -> Survey | None:
        found = whole(self)
        return replace(found, findings=(HOT, HUM)) if found else None

    said = summary_view.kept_conclusions

    def conclusions(folder: Path, key: str) -> Any:
        known = said(folder, key)
        return (known[0], (HOT, HUM)) if known else None

    monkeypatch.setattr(held_takes.HeldTake, "survey", survey)
    monkeypatch.setattr(summary_view, "kept_conclusions", conclusions)
    house = House(tmp_path / "shelf")
    yield house
    house.close()


def unsure(house: House, side: str) -> list[str]:
    (summary,) = house.records()
    record = house.record(summary["id"])
    shown = next(each for each in record["sides"] if each["side"] == side)
    listed = next(each for each in summary["sides"] if each["side"] == side)
    assert listed["unsure_count"] == len(shown["unsure"])
    assert summary["unsure_count"] == sum(len(each["unsure"]) for each in record["sides"])
    return [each["id"] for each in shown["unsure"] if each["kind"] == "finding"]


def test_a_finding_that_was_seen_is_unsure_no_more_until_that_is_taken_back(house: House) -> None:
    (summary,) = house.records()
    folder = house.library.folder(summary["id"])
    (finding,) = unsure(house, "A")
    assert unsure(house, "B") == [finding.replace("A-", "B-", 1)]
    apply(folder, {"kind": "seen", "side": "A", "finding": finding})
    assert unsure(house, "A") == []
    assert len(unsure(house, "B")) == 1
    assert f'{finding} = "' in (folder.path / "record.toml").read_text("utf-8")
    undo(folder)
    assert unsure(house, "A") == [finding]


def test_what_was_seen_on_one_take_says_nothing_of_another(house: House) -> None:
    (summary,) = house.records()
    folder = house.library.folder(summary["id"])
    (finding,) = unsure(house, "A")
    apply(folder, {"kind": "seen", "side": "A", "finding": finding})
    text = (folder.path / "record.toml").read_text("utf-8")
    sha16 = text.rpartition(f'{finding} = "')[2][:16]
    (folder.path / "record.toml").write_text(text.replace(sha16, "0" * 16), "utf-8")
    assert unsure(house, "A") == [finding]


def test_a_finding_has_a_plain_name(house: House) -> None:
    (summary,) = house.records()
    with pytest.raises(ParameterError, match="not an edit"):
        apply(house.library.folder(summary["id"]), {"kind": "seen", "side": "A", "finding": "a.b = 1"})
